#include "service/intake.hpp"

#include <algorithm>

#include "service/journal.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

bool Intake::accept(Message&& message) {
    watch_clock();
    auto now = clock_.now();
    if (!now) {
        ask_node(message);
        watch_clock();
        now = clock_.now();
    }
    bool kept = false;
    if (now) {
        kept = keep(std::move(message), *now);
    } else {
        {
            const std::lock_guard lock(mutex_);
            if (!has_undated_) {
                journal(Level::warning,
                        "The server's clock is not set. Messages are kept in the log and booked once it is.");
            }
            has_undated_ = true;
        }
        kept = keep(Unclocked{std::move(message), server_clock_.since_boot()}, clock_.floor());
    }
    if (kept) ++accepted_;
    return kept;
}

bool Intake::accept(LinkChange change) {
    watch_clock();
    return keep(change, now());
}

Result<void> Intake::accept_instruction(std::string order) {
    watch_clock();
    const auto now = clock_.now();
    if (!now) {
        return fail(
            "The server's clock is not set, so nobody can tell when this was said. Set the clock, or wait "
            "until "
            "the network or a node has told the time, and say it again.");
    }
    if (auto appended = log_.append(Instruction{{}, std::move(order)}, *now); !appended) {
        return tl::unexpected(std::move(appended.error()));
    }
    // People speak seldom, and expect that what was answered is never forgotten.
    return log_.sync();
}

void Intake::watch_clock() {
    const std::lock_guard lock(mutex_);
    if (!has_undated_) return;
    const auto now = clock_.now();
    if (!now || !keep(ClockSet{*now, server_clock_.since_boot()}, *now)) return;
    has_undated_ = false;
    journal(Level::notice, "The clock is set; what waited for it is booked now.");
}

/// A node may know the time where the server does not.
void Intake::ask_node(const Message& message) {
    for (const MeterSettings& meter : meters_) {
        if (!topic_matches(meter.topic, message.topic)) continue;
        const auto readings = decode(message.payload, meter, clock_.floor());
        if (!readings) continue;
        for (const Reading& reading : *readings) {
            if (reading.time) clock_.hear(*reading.time);
        }
    }
}

bool Intake::keep(Event event, Instant at) {
    const auto kept = log_.append(std::move(event), at);
    if (kept) return syncer_.appended();
    journal(Level::error,
            kept.error().text + " The broker keeps what it has not been thanked for, and sends it again.");
    return false;
}

}  // namespace tickledger
