#include "service/engine_thread.hpp"

#include <algorithm>
#include <utility>
#include <vector>

#include "service/journal.hpp"

namespace tickledger {

namespace {

// How often the clock is checked when nothing happens.
constexpr auto idle_wait = std::chrono::seconds{1};
// How often a failed batch is tried again (a full disk, for example).
constexpr auto retry_wait = std::chrono::seconds{1};

}  // namespace

EngineThread::EngineThread(Parts parts) : parts_(std::move(parts)) {
    state_.counts = parts_.bookkeeper->counts();
    thread_ = std::thread([this] { run(); });
}

EngineThread::~EngineThread() {
    {
        const std::lock_guard lock(mutex_);
        stop_ = true;
    }
    wake_.notify_all();
    if (thread_.joinable()) thread_.join();
}

void EngineThread::use_link(BrokerLink* link) {
    {
        const std::lock_guard lock(link_mutex_);
        link_ = link;
    }
    wake_for_sending();
}

void EngineThread::use(std::shared_ptr<const Configuration> configuration) {
    {
        const std::lock_guard lock(mutex_);
        next_settings_ = std::move(configuration);
    }
    catch_up();
}

void EngineThread::wake() {
    {
        const std::lock_guard lock(mutex_);
        if (has_news_) return;
        has_news_ = true;
        news_since_ = std::chrono::steady_clock::now();
    }
    wake_.notify_one();
}

void EngineThread::wake_for_sending() {
    {
        const std::lock_guard lock(mutex_);
        must_send_ = true;
    }
    wake_.notify_one();
}

std::uint64_t EngineThread::want_pass() {
    const std::uint64_t needed = passes_ + (is_passing_ ? 2 : 1);
    wanted_passes_ = std::max(wanted_passes_, needed);
    wake_.notify_one();
    return needed;
}

void EngineThread::catch_up() {
    std::unique_lock lock(mutex_);
    const std::uint64_t needed = want_pass();
    passed_.wait(lock, [&] { return stop_ || passes_ >= needed; });
}

void EngineThread::when_caught_up(std::function<void()> then) {
    const std::lock_guard lock(mutex_);
    waiting_.emplace(want_pass(), std::move(then));
}

BookingState EngineThread::state() const {
    const std::lock_guard lock(mutex_);
    return state_;
}

void EngineThread::run() {
    for (;;) {
        switch (wait_for_work()) {
            case Work::book:
                turn();
                take_up_settings();
                break;
            case Work::send:
                send();
                break;
            case Work::none:
                if (parts_.on_step) parts_.on_step();
                break;
        }
        bool stops = false;
        std::vector<std::function<void()>> ready;
        {
            const std::lock_guard lock(mutex_);
            is_passing_ = false;
            ++passes_;
            stops = stop_;
            const auto end = stops ? waiting_.end() : waiting_.upper_bound(passes_);
            for (auto waits = waiting_.begin(); waits != end; waits = waiting_.erase(waits))
                ready.push_back(std::move(waits->second));
        }
        passed_.notify_all();
        for (const auto& then : ready)
            then();
        // Accepted messages that could not be booked by now are booked at the next start.
        if (stops) return;
    }
}

EngineThread::Work EngineThread::wait_for_work() {
    std::unique_lock lock(mutex_);
    const bool in_trouble = !state_.trouble.empty();
    const auto urgent = [&] { return stop_ || passes_ < wanted_passes_; };
    Work work = Work::book;
    if (in_trouble) {
        wake_.wait_for(lock, retry_wait, urgent);
    } else {
        const auto next_look = booked_at_ + idle_wait;
        wake_.wait_until(lock, next_look, [&] { return urgent() || has_news_ || must_send_; });
        // Each acknowledgement removes a row of the outbox. The removals are collected until the next look,
        // because one by one they would write the same pages again and again.
        if (must_send_ && !has_news_ && !urgent() && std::chrono::steady_clock::now() < next_look)
            work = Work::send;
        // Acknowledgements from the broker do not make a batch commit early: that would make many small
        // batches instead of few large ones.
        if (has_news_ && !urgent()) {
            const auto due = news_since_ + parts_.commit_every;
            // A batch may wait longer than the watchdog does, so it gets a sign of life every second.
            const auto look = std::min(due, std::chrono::steady_clock::now() + idle_wait);
            const bool is_woken = wake_.wait_until(lock, look, [&] { return urgent() || must_send_; });
            if (!is_woken && look < due) work = Work::none;
            if (is_woken && !urgent()) work = Work::send;
        }
    }
    if (work == Work::book) {
        has_news_ = false;
        booked_at_ = std::chrono::steady_clock::now();
    }
    must_send_ = false;
    is_passing_ = true;
    return work;
}

void EngineThread::turn() {
    for (auto step = Engine::Step::more; step == Engine::Step::more;) {
        parts_.intake->watch_clock();
        step = parts_.engine->step(parts_.intake->now(), sending());
        report(parts_.engine->trouble());
        if (parts_.on_step) parts_.on_step();
    }
}

void EngineThread::send() {
    parts_.engine->send_only(sending());
    report(parts_.engine->trouble());
    if (parts_.on_step) parts_.on_step();
}

void EngineThread::take_up_settings() {
    std::shared_ptr<const Configuration> next;
    {
        const std::lock_guard lock(mutex_);
        next = std::exchange(next_settings_, nullptr);
    }
    if (!next) return;
    const auto loaded = parts_.engine->use(next->meters, static_cast<std::size_t>(next->max_meters));
    report(loaded ? parts_.engine->trouble() : loaded.error().text);
    settings_ = std::move(next);
}

/// Empty while no link is connected.
Publisher::Send EngineThread::sending() {
    const std::lock_guard lock(link_mutex_);
    if (!link_ || !link_->state().connected) return {};
    return [this](const Outgoing& outgoing) {
        const std::lock_guard still(link_mutex_);
        return link_ && link_->publish({.id = outgoing.id,
                                        .topic = parts_.topic_root + "/" + outgoing.topic,
                                        .payload = outgoing.payload,
                                        .retained = outgoing.retained});
    };
}

void EngineThread::report(const std::string& trouble) {
    bool changed = false;
    {
        const std::lock_guard lock(mutex_);
        changed = trouble != state_.trouble;
        state_.trouble = trouble;
        // After a failure the bookkeeper's counts include the messages of the batch that was rolled back.
        if (trouble.empty()) state_.counts = parts_.bookkeeper->counts();
        state_.undated = parts_.engine->undated_count();
        state_.turned_away = parts_.bookkeeper->turned_away();
        state_.unmatched = parts_.bookkeeper->unmatched();
    }
    for (const OddMessage& message : parts_.bookkeeper->take_odd()) {
        if (const auto line = odd_lines_.pass(message, std::chrono::steady_clock::now()))
            journal(Level::warning, *line);
    }
    if (!changed) return;
    if (trouble.empty()) {
        journal(Level::notice, "The ledger can be written again; booking goes on.");
    } else {
        journal(Level::error, trouble + " New messages are kept in the message log and booked later.");
        if (parts_.on_standstill) parts_.on_standstill();
    }
}

}  // namespace tickledger
