#include "engine/intake.hpp"

#include <algorithm>

#include "book/backlog_detector.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

namespace {

// A smaller difference is a time service's slow adjustment, and disappears by itself within half an hour.
constexpr Duration stamps_ahead_min = std::chrono::minutes{2};

}  // namespace

void Intake::use(std::shared_ptr<const std::vector<MeterSettings>> meters) {
    const std::lock_guard lock(mutex_);
    meters_ = std::move(meters);
}

bool Intake::accept(Message&& message) {
    date_what_waits();
    auto now = clock_.now();
    const bool waited = waited_at_broker(message);
    if (!now && !waited) {
        ask_node(message);
        date_what_waits();
        now = clock_.now();
    }
    bool kept = false;
    if (now) {
        kept = keep(std::move(message), stamp_of_now(*now));
    } else {
        // Held over the append. If the line that dates this one came first, nothing would date it.
        const std::lock_guard lock(mutex_);
        if (!has_undated_) {
            parts_.tell(
                Level::warning,
                "The time is not known. Messages are kept in the log and booked once it is. If the "
                "server's clock is right, confirm it with `tickledger clock --right`; otherwise set it.");
        }
        has_undated_ = true;
        kept = keep(Unclocked{std::move(message), parts_.clock->since_boot()}, clock_.floor());
    }
    if (kept) ++accepted_;
    return kept;
}

bool Intake::accept(LinkChange change) {
    {
        const std::lock_guard lock(mutex_);
        const Duration at = parts_.clock->since_boot();
        backlog_ = change.up && change.session_present ? std::optional(Backlog{at, at}) : std::nullopt;
    }
    date_what_waits();
    return keep(change, now());
}

Result<void> Intake::accept_instruction(std::string document) {
    date_what_waits();
    const auto now = clock_.now();
    if (!now) {
        return fail(
            "The time is not known, so this request cannot be dated. If the server's clock is right, confirm "
            "it with `tickledger clock --right`; otherwise set it, or wait until the network or two nodes "
            "have given the time. Then send the request again.");
    }
    if (auto appended = parts_.log->append(Instruction{{}, std::move(document)}, stamp_of_now(*now));
        !appended) {
        return tl::unexpected(std::move(appended.error()));
    }
    // Instructions are rare, and people expect that an answered one is never lost.
    return parts_.log->sync();
}

void Intake::watch_clock() {
    date_what_waits();
    note_stamps_ahead();
}

void Intake::date_what_waits() {
    tell_notice();
    const std::lock_guard lock(mutex_);
    if (!has_undated_) return;
    const auto now = clock_.now();
    if (!now || !keep(set_now(*now), stamp_of_now(*now))) return;
    has_undated_ = false;
    parts_.tell(Level::notice, "The time is known. The messages that waited for it are booked now.");
}

/// Writes a line from which the true times of what was stamped ahead can be worked out later
/// (store/redating.hpp).
void Intake::note_stamps_ahead() {
    const std::lock_guard lock(mutex_);
    const auto now = clock_.now();
    if (!now) return;
    const Duration ahead = stamp_of_now(*now) - *now;
    if (ahead <= noted_ahead_ + stamps_ahead_min) {
        noted_ahead_ = std::min(noted_ahead_, ahead);
        return;
    }
    if (keep(set_now(*now), stamp_of_now(*now))) noted_ahead_ = ahead;
}

Result<void> Intake::clock_is_right() {
    const auto vouched = clock_.vouch();
    if (!vouched) {
        return fail(
            "The server's clock shows a time before this program was made, so it cannot be right. Set it "
            "first, for example with timedatectl, and confirm it again.");
    }
    {
        const std::lock_guard lock(mutex_);
        // This line dates the messages that waited. If none waited, it only records that somebody vouched.
        if (auto kept = parts_.log->append(set_now(*vouched), stamp_of_now(*vouched)); !kept)
            return tl::unexpected(std::move(kept.error()));
        has_undated_ = false;
    }
    parts_.tell(Level::notice, "A person confirmed that the server's clock is right.");
    return parts_.log->sync();
}

Instant Intake::now() {
    const auto now = clock_.now();
    return now ? stamp_of_now(*now) : clock_.floor();
}

ClockSet Intake::set_now(Instant now) {
    ClockSet set{now, parts_.clock->since_boot()};
    if (stamp_of_now(now) - now > stamps_ahead_min) set.time = now;
    return set;
}

/// A message that had waited carries an old time, so its node is not asked for the time.
bool Intake::waited_at_broker(const Message& message) {
    const std::lock_guard lock(mutex_);
    const Duration at = parts_.clock->since_boot();
    if (backlog_ && (at - backlog_->last_at >= BacklogDetector::backlog_pause ||
                     at - backlog_->began_at >= BacklogDetector::backlog_longest)) {
        backlog_.reset();
    }
    if (backlog_) backlog_->last_at = at;
    return backlog_ || message.redelivered || message.retained;
}

/// A node may know the time when the server does not. Takes the newest time in the message.
void Intake::ask_node(const Message& message) {
    std::shared_ptr<const std::vector<MeterSettings>> meters;
    {
        const std::lock_guard lock(mutex_);
        meters = meters_;
    }
    for (const MeterSettings& meter : *meters) {
        if (!topic_matches(meter.topic, message.topic)) continue;
        const auto readings = decode(message.payload, meter, clock_.floor());
        if (!readings) continue;
        std::optional<Instant> newest;
        for (const Reading& reading : *readings)
            newest = std::max(newest, reading.time);
        if (newest) clock_.hear(message.topic, *newest);
    }
}

void Intake::tell_notice() {
    if (const std::string notice = parts_.log->take_notice(); !notice.empty())
        parts_.tell(Level::error, notice);
}

bool Intake::keep(Event event, Instant at) {
    const auto kept = parts_.log->append(std::move(event), at);
    tell_notice();
    if (kept) return parts_.on_appended();
    parts_.tell(Level::error, kept.error().text +
                                  " The broker keeps messages that were not acknowledged, and sends them "
                                  "again.");
    return false;
}

}  // namespace tickledger
