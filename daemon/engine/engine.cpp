#include "engine/engine.hpp"

#include <malloc.h>

#include <algorithm>
#include <utility>

namespace tickledger {

namespace {

// Acknowledged publications leave the outbox with the next batch, or on their own once this many wait.
constexpr std::size_t published_kept = 50;
// A batch is smaller if its events span a day or more, so that readings that are not packed yet never become
// those of many days.
constexpr std::size_t events_of_a_day = 2'000;
constexpr Duration packed_at_once = std::chrono::hours{24};

}  // namespace

Engine::Engine(Ledger& ledger, Bookkeeper& bookkeeper, EventSource& source, LogPosition booked_to,
               EngineSettings settings, Tell tell)
    : ledger_(ledger),
      bookkeeper_(bookkeeper),
      source_(source),
      settings_(settings),
      tell_(std::move(tell)),
      booked_to_(std::move(booked_to)) {}

Engine::Step Engine::step(Instant now, const Publisher::Send& send) {
    trouble_.clear();
    const auto booked = stay_in_place().and_then([&] { return book(now); });
    if (!booked) trouble_ = booked.error().text;
    if (send) {
        if (const auto sent = publisher_.send(ledger_, send); !sent && trouble_.empty())
            trouble_ = sent.error().text;
    }
    return booked.value_or(Step::failed);
}

void Engine::send_only(const Publisher::Send& send) {
    trouble_.clear();
    if (!send) return;
    if (const auto sent = publisher_.send(ledger_, send); !sent) trouble_ = sent.error().text;
}

Result<void> Engine::use(const std::vector<MeterSettings>& meters, std::size_t max_meters) {
    return bookkeeper_.load(meters, max_meters);
}

Result<void> Engine::stay_in_place() {
    if (ledger_.is_in_place()) return {};
    auto stayed = ledger_.stay_in_place();
    if (stayed) tell_(Level::error, ledger_.notice());
    return stayed;
}

Result<Engine::Step> Engine::book(Instant now) {
    bool all_read = false;
    if (offered_.deliveries.empty()) {
        source_.look(now);
        const auto read = read_batch();
        if (!read) return tl::unexpected(read.error());
        all_read = *read;
        offered_ = detector_.take();
    }
    // While something is held back the clock must not run, because the held events may be earlier than the
    // next deadlines.
    const auto reached = all_read && !detector_.holds_back() ? source_.reached() : std::nullopt;
    const bool clock_has_work = reached && (source_.has_ended() || bookkeeper_.has_deadline_until(*reached));
    const auto published = publisher_.acknowledged_so_far();
    if (!offered_.deliveries.empty() || clock_has_work || published.size() >= published_kept) {
        const LogPosition next = offered_.deliveries.empty() ? booked_to_ : offered_.next;
        const auto booked = bookkeeper_.book(
            {.deliveries = offered_.deliveries, .next = next, .until = reached, .published = published});
        if (!booked) return tl::unexpected(booked.error());
        publisher_.forget_acknowledged(published);
        booked_to_ = next;
        batch_from_ = read_to_;
        events_since_trim_ += offered_.deliveries.size() + published.size();
        offered_ = {};
    }
    give_back_memory();
    const Instant moment = std::min(now, all_read ? source_.reached().value_or(read_to_) : read_to_);
    if (all_read) remove_old(moment);
    if (all_read || settings_.packing_every == Duration{0}) pack_old(moment);
    return all_read ? Step::done : Step::more;
}

/// True: everything available is read. A backlog is booked as a whole, so it is read to its end.
Result<bool> Engine::read_batch() {
    while (!is_batch()) {
        auto event = source_.next();
        if (!event) return tl::unexpected(event.error());
        if (!*event) {
            if (source_.has_ended()) {
                detector_.finish();
            } else if (const auto reached = source_.reached()) {
                detector_.pause(*reached);
            }
            return true;
        }
        read_to_ = std::max(read_to_, time_of((*event)->event));
        detector_.add(std::move((*event)->event), (*event)->next);
    }
    return false;
}

bool Engine::is_batch() const {
    const std::size_t count = detector_.ready_count();
    return count >= settings_.events_a_batch ||
           (count >= events_of_a_day && read_to_ - batch_from_ >= packed_at_once);
}

/// Events and records of many sizes are allocated and freed between allocations that stay, and the C library
/// keeps the freed memory. Returning it to the system takes one walk over the free blocks.
void Engine::give_back_memory() {
    if (settings_.give_back_every == 0 || events_since_trim_ < settings_.give_back_every) return;
    events_since_trim_ = 0;
    ::malloc_trim(0);
}

void Engine::remove_old(Instant now) {
    if (house_kept_at_ && now - *house_kept_at_ < settings_.housekeeping_every) return;
    house_kept_at_ = now;
    has_days_to_pack_ = true;
    if (!settings_.retention) return;
    // Lines may leave the log only when a power cut can no longer take their bookings from the ledger.
    const auto removed = ledger_.make_durable().and_then(
        [&] { return source_.remove_before(now - settings_.retention->messages, booked_to_); });
    if (!removed) tell_(Level::warning, removed.error().text);
    // A clock that is ahead must remove nothing. So as many later days must have been seen as days are kept.
    const auto days = std::chrono::floor<std::chrono::days>(settings_.retention->readings).count();
    if (const auto done = bookkeeper_.remove_fine_detail(now - settings_.retention->readings, days); !done)
        tell_(Level::warning, done.error().text);
}

/// Packs while booking goes on. Otherwise the file would first grow to its full size, and stay that large.
void Engine::pack_old(Instant now) {
    if (settings_.packing_every == Duration{0}) has_days_to_pack_ = true;
    if (packed_at_ && now - *packed_at_ < settings_.packing_every) return;
    packed_at_ = now;
    while (has_days_to_pack_) {
        const auto packed = bookkeeper_.pack_oldest(now - settings_.pack_after);
        has_days_to_pack_ = packed.value_or(false);
        if (!packed) tell_(Level::warning, packed.error().text);
        if (settings_.packing_every > Duration{0}) return;
    }
}

}  // namespace tickledger
