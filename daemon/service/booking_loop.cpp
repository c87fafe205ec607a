#include "service/booking_loop.hpp"

#include <utility>

#include "service/journal.hpp"

namespace tickledger {

namespace {

// Bounds the memory of one batch; many messages a transaction are cheaper than few.
constexpr std::size_t events_a_batch = 10'000;
// The clock is looked at this often where nothing happens.
constexpr auto idle_wait = std::chrono::seconds{1};
// How often a batch that failed (a full disk) is tried again.
constexpr auto retry_wait = std::chrono::seconds{1};
constexpr Duration housekeeping_every = std::chrono::hours{1};

}  // namespace

Result<std::unique_ptr<BookingLoop>> BookingLoop::start(Parts parts) {
    const auto from = parts.ledger->log_position();
    if (!from) return tl::unexpected(from.error());
    std::unique_ptr<BookingLoop> loop(new BookingLoop(std::move(parts), *from));
    loop->thread_ = std::thread([raw = loop.get()] { raw->run(); });
    return loop;
}

BookingLoop::BookingLoop(Parts parts, LogPosition from)
    : parts_(std::move(parts)),
      reader_(*parts_.files, parts_.configuration->store.directory / "messages", from),
      booked_to_(std::move(from)) {
    state_.counts = parts_.bookkeeper->counts();
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
        Pass result = pass();
        while (result == Pass::more) result = pass();
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
        if (has_news_ && patience > Duration{0}) wake_.wait_for(lock, patience, [&] { return urgent() || must_send_; });
    }
    has_news_ = false;
    must_send_ = false;
}

BookingLoop::Pass BookingLoop::pass() {
    const MessageLog::Horizon horizon = parts_.log->horizon(parts_.clock->wall());
    bool all_read = false;
    if (offered_.deliveries.empty()) {
        const auto read = read_events(horizon);
        if (!read) {
            report(tl::unexpected(read.error()));
            return Pass::failed;
        }
        all_read = *read;
        offered_ = feed_.take();
    }
    const bool clock_runs = all_read && !feed_.is_draining();
    const bool clock_has_work = clock_runs && parts_.bookkeeper->has_deadline_until(horizon.until);
    if (!offered_.deliveries.empty() || clock_has_work) {
        const LogPosition next = offered_.deliveries.empty() ? booked_to_ : offered_.next;
        const auto acknowledged = parts_.publisher->acknowledged_so_far();
        const auto booked = parts_.bookkeeper->book({.deliveries = offered_.deliveries,
                                                     .next = next,
                                                     .until = clock_runs ? std::optional(horizon.until) : std::nullopt,
                                                     .published = acknowledged});
        report(booked);
        if (!booked) return Pass::failed;
        parts_.publisher->forget_acknowledged(acknowledged);
        booked_to_ = next;
        offered_ = {};
    } else {
        report({});
    }
    keep_house(horizon.until);
    return all_read ? Pass::idle : Pass::more;
}

Result<bool> BookingLoop::read_events(const MessageLog::Horizon& horizon) {
    // A drain is booked as a whole, so it is read on to its end.
    while (feed_.ready_count() < events_a_batch) {
        auto event = reader_.next(horizon.end);
        if (!event) return tl::unexpected(event.error());
        if (!*event) {
            feed_.pause(horizon.until);
            return true;
        }
        feed_.add(std::move((*event)->event), (*event)->next);
    }
    return false;
}

void BookingLoop::send() {
    const std::lock_guard lock(link_mutex_);
    if (!link_) return;
    if (const auto sent = parts_.publisher->send(*parts_.ledger, *link_); !sent) report(sent);
}

void BookingLoop::keep_house(Instant now) {
    if (house_kept_at_ && now - *house_kept_at_ < housekeeping_every) return;
    house_kept_at_ = now;
    const StoreSettings& store = parts_.configuration->store;
    if (const auto removed = parts_.log->remove_before(now - store.keep_messages, booked_to_); !removed) {
        journal(Level::warning, removed.error().text);
    }
    if (const auto removed = parts_.bookkeeper->remove_fine_detail(now - store.keep_readings); !removed) {
        journal(Level::warning, removed.error().text);
    }
}

void BookingLoop::report(const Result<void>& outcome) {
    const std::string trouble = outcome ? "" : outcome.error().text;
    bool changed = false;
    {
        const std::lock_guard lock(mutex_);
        changed = trouble != state_.trouble;
        state_.trouble = trouble;
        state_.counts = parts_.bookkeeper->counts();
    }
    if (!changed) return;
    if (outcome) {
        journal(Level::notice, "The ledger can be written again; booking goes on.");
    } else {
        journal(Level::error, trouble + " What arrives is kept in the message log and booked later.");
    }
}

}  // namespace tickledger
