#include "book/booker.hpp"

namespace tickledger {

namespace {

// Bounds the memory of one batch; many messages a transaction are cheaper than few.
constexpr std::size_t events_a_batch = 10'000;
// Publications that the broker has leave the outbox with the next batch, or together once so many wait for
// it.
constexpr std::size_t published_kept = 50;

}  // namespace

Booker::Pass Booker::pass(Instant now, std::span<const std::int64_t> published, bool* took) {
    const MessageLog::Horizon horizon = log_.horizon(now);
    bool all_read = false;
    if (offered_.deliveries.empty()) {
        const auto read = read_events(horizon);
        if (!read) return fail_with(read.error());
        all_read = *read;
        offered_ = detector_.take();
    }
    const bool clock_runs = all_read && !detector_.holds_back();
    const bool clock_has_work = clock_runs && bookkeeper_.has_deadline_until(horizon.until);
    trouble_.clear();
    if (offered_.deliveries.empty() && !clock_has_work && published.size() < published_kept) {
        return all_read ? Pass::done : Pass::more;
    }
    const LogPosition next = offered_.deliveries.empty() ? booked_to_ : offered_.next;
    const auto booked = bookkeeper_.book({.deliveries = offered_.deliveries,
                                          .next = next,
                                          .until = clock_runs ? std::optional(horizon.until) : std::nullopt,
                                          .published = published});
    if (!booked) return fail_with(booked.error());
    if (took) *took = true;
    booked_to_ = next;
    offered_ = {};
    return all_read ? Pass::done : Pass::more;
}

Result<bool> Booker::read_events(const MessageLog::Horizon& horizon) {
    // A backlog is booked as a whole, so it is read on to its end.
    while (detector_.ready_count() < events_a_batch) {
        auto event = reader_.next(horizon.end);
        if (!event) return tl::unexpected(event.error());
        if (!*event) {
            detector_.pause(horizon.until);
            return true;
        }
        detector_.add(std::move((*event)->event), (*event)->next);
    }
    return false;
}

Booker::Pass Booker::fail_with(const Error& error) {
    trouble_ = error.text;
    return Pass::failed;
}

}  // namespace tickledger
