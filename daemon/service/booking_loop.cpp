#include "service/booking_loop.hpp"

#include <utility>

#include "service/journal.hpp"

namespace tickledger {

namespace {

// The clock is looked at this often where nothing happens.
constexpr auto idle_wait = std::chrono::seconds{1};
// How often a batch that failed (a full disk) is tried again.
constexpr auto retry_wait = std::chrono::seconds{1};
constexpr Duration housekeeping_every = std::chrono::hours{1};
// A ledger with years to pack is packed beside the booking, which waits for one day at most.
constexpr auto packing_every = std::chrono::seconds{1};

}  // namespace

BookingLoop::BookingLoop(Parts parts)
    : parts_(std::move(parts)),
      booker_(*parts_.files, parts_.configuration->store.directory / messages_name, *parts_.store->log,
              *parts_.store->bookkeeper, parts_.store->booked_to) {
    state_.counts = parts_.store->bookkeeper->counts();
    thread_ = std::thread([this] { run(); });
}

BookingLoop::~BookingLoop() {
    {
        const std::lock_guard lock(mutex_);
        stop_ = true;
    }
    wake_.notify_all();
    if (thread_.joinable()) thread_.join();
}

void BookingLoop::use_link(BrokerLink* link) {
    {
        const std::lock_guard lock(link_mutex_);
        link_ = link;
    }
    wake_for_sending();
}

void BookingLoop::use(std::shared_ptr<const Configuration> configuration) {
    {
        const std::lock_guard lock(mutex_);
        next_settings_ = std::move(configuration);
    }
    settle();
}

void BookingLoop::wake() {
    {
        const std::lock_guard lock(mutex_);
        if (has_news_) return;
        has_news_ = true;
    }
    wake_.notify_one();
}

void BookingLoop::wake_for_sending() {
    {
        const std::lock_guard lock(mutex_);
        must_send_ = true;
    }
    wake_.notify_one();
}

void BookingLoop::settle() {
    std::unique_lock lock(mutex_);
    ++settlers_;
    // A pass under way may have read the log before this call; the one after it has not.
    const std::uint64_t needed = passes_ + 2;
    wake_.notify_one();
    settled_.wait(lock, [&] { return stop_ || passes_ >= needed; });
    --settlers_;
}

BookingState BookingLoop::state() const {
    const std::lock_guard lock(mutex_);
    return state_;
}

void BookingLoop::run() {
    for (;;) {
        wait_for_work();
        book();
        take_up_settings();
        send();
        bool stops = false;
        {
            const std::lock_guard lock(mutex_);
            ++passes_;
            stops = stop_;
        }
        settled_.notify_all();
        if (parts_.on_pass) parts_.on_pass();
        // What was accepted until now is booked at the next start if it can not be booked any more.
        if (stops) return;
    }
}

void BookingLoop::wait_for_work() {
    std::unique_lock lock(mutex_);
    const bool in_trouble = !state_.trouble.empty();
    const auto urgent = [&] { return stop_ || settlers_ > 0; };
    if (in_trouble) {
        wake_.wait_for(lock, retry_wait, urgent);
    } else {
        wake_.wait_for(lock, idle_wait, [&] { return urgent() || has_news_ || must_send_; });
        // From the first message on, others have `commit_every` to come along.
        const Duration patience = parts_.configuration->store.commit_every;
        if (has_news_ && patience > Duration{0})
            wake_.wait_for(lock, patience, [&] { return urgent() || must_send_; });
    }
    has_news_ = false;
    must_send_ = false;
}

void BookingLoop::take_up_settings() {
    std::shared_ptr<const Configuration> next;
    {
        const std::lock_guard lock(mutex_);
        next = std::exchange(next_settings_, nullptr);
    }
    if (!next) return;
    const auto loaded =
        parts_.store->bookkeeper->load(next->meters, static_cast<std::size_t>(next->max_meters));
    if (!loaded) report(loaded.error().text);
    settings_ = std::move(next);
}

void BookingLoop::book() {
    for (;;) {
        const auto acknowledged = parts_.publisher->acknowledged_so_far();
        parts_.intake->watch_clock();
        const Instant now = parts_.intake->now();
        bool took = false;
        const Booker::Pass pass = booker_.pass(now, acknowledged, &took);
        if (took) parts_.publisher->forget_acknowledged(acknowledged);
        report(booker_.trouble());
        if (pass == Booker::Pass::done) {
            keep_house(now);
            pack_a_day(now);
        }
        if (pass != Booker::Pass::more) return;
    }
}

void BookingLoop::send() {
    const std::lock_guard lock(link_mutex_);
    if (!link_ || !link_->state().connected) return;
    if (const auto sent = parts_.publisher->send(*parts_.store->ledger, *link_); !sent)
        report(sent.error().text);
}

void BookingLoop::keep_house(Instant now) {
    if (house_kept_at_ && now - *house_kept_at_ < housekeeping_every) return;
    house_kept_at_ = now;
    const StoreSettings& store = parts_.configuration->store;
    if (const auto removed = parts_.store->log->remove_before(now - store.keep_messages, booker_.booked_to());
        !removed) {
        journal(Level::warning, removed.error().text);
    }
    if (const auto removed = parts_.store->bookkeeper->remove_fine_detail(now - store.keep_readings);
        !removed) {
        journal(Level::warning, removed.error().text);
    }
    has_days_to_pack_ = true;
}

void BookingLoop::pack_a_day(Instant now) {
    const auto moment = std::chrono::steady_clock::now();
    if (!has_days_to_pack_ || moment - packed_at_ < packing_every) return;
    packed_at_ = moment;
    const auto packed =
        parts_.store->bookkeeper->pack_oldest_day(now - parts_.configuration->store.pack_after);
    has_days_to_pack_ = packed.value_or(false);
    if (!packed) journal(Level::warning, packed.error().text);
}

void BookingLoop::report(const std::string& trouble) {
    bool changed = false;
    {
        const std::lock_guard lock(mutex_);
        changed = trouble != state_.trouble;
        state_.trouble = trouble;
        state_.counts = parts_.store->bookkeeper->counts();
        state_.undated = booker_.undated_count();
        state_.turned_away = parts_.store->bookkeeper->turned_away();
    }
    if (!changed) return;
    if (trouble.empty()) {
        journal(Level::notice, "The ledger can be written again; booking goes on.");
    } else {
        journal(Level::error, trouble + " What arrives is kept in the message log and booked later.");
        if (parts_.on_standstill) parts_.on_standstill();
    }
}

}  // namespace tickledger
