#include "simulation/told.hpp"

#include <algorithm>
#include <limits>
#include <set>
#include <utility>

namespace tickledger::simulation {

namespace {

/// When messages may have waited at the broker because of a trouble. It ends two cadences after the trouble:
/// the first message that is heard live follows one that may have waited.
Span waiting_of(const PlannedTrouble& trouble, const NodeSettings& settings) {
    return {trouble.at - settings.cadence, trouble.at + trouble.length + 2 * settings.cadence};
}

/// The largest jump between two messages that can look like water: 1.1 Q4 = 1.375 Q3 (ISO 4064-1), and a tick
/// at each end. The time for it runs from the sending of the first message to the arrival of the third: the
/// jump is held until then, and a gain that is too large for the time to the second message may be possible
/// for the time to the third. A larger jump is recognised as not being water. If messages without a time
/// waited at the broker, they may have been sent at any time of the wait.
std::int64_t most_by_hand(const NodeSettings& settings, const MeterSettings& meter,
                          const std::vector<PlannedTrouble>& troubles, const Sent& before,
                          const Sent& third) {
    Span between{before.delivery.sent_at, third.delivery.message.arrived_at};
    for (const PlannedTrouble& trouble : troubles) {
        const Span waiting = waiting_of(trouble, settings);
        if (settings.tells_time || between.to < waiting.from || between.from > waiting.to) continue;
        between = {std::min(between.from, waiting.from), std::max(between.to, waiting.to)};
    }
    const double h = std::chrono::duration<double, std::ratio<3600>>(between.length()).count();
    const double most_ticks_per_h = 1.375 * meter.q3_l_per_h.value() / meter.pulse_value_l.value();
    return static_cast<std::int64_t>(most_ticks_per_h * h) + 3;
}

/// A message that waited and has no time, no boot and no uptime may be an old one that arrived again. It
/// reveals nothing unless its count exceeds what was told before.
bool may_be_old(const NodeSettings& settings, const std::vector<PlannedTrouble>& troubles, const Sent& sent) {
    const bool is_counter = settings.message == MessageForm::counter;
    if (settings.tells_time || (is_counter && (settings.tells_boot || settings.tells_uptime))) return false;
    return std::any_of(troubles.begin(), troubles.end(), [&](const PlannedTrouble& trouble) {
        const Span waiting = waiting_of(trouble, settings);
        return sent.delivery.sent_at >= waiting.from && sent.delivery.sent_at <= waiting.to;
    });
}

std::int64_t in_counter(std::int64_t line, int bits) {
    return bits == 0 ? line : line & ((std::int64_t{1} << bits) - 1);
}

/// The counts, on the node's own line, from which it may have started according to its messages.
std::vector<std::int64_t> possible_restores(const NodeSettings& settings, const Delivery& before,
                                            const Delivery& after) {
    const std::int64_t now = after.first_line;
    const bool is_counter = settings.message == MessageForm::counter;
    if (settings.tells_saved && is_counter) return {after.restored_line};
    std::vector<std::int64_t> possible;
    if (settings.checkpoint_ticks == 0) {
        // It forgot its count. The caller handles the case that it seems to have kept it.
        possible.push_back(0);
        return possible;
    }
    // Every checkpoint from the one below the previous message's count up to this message's count.
    const auto step = static_cast<std::int64_t>(settings.checkpoint_ticks);
    const auto below = [&](std::int64_t line) {
        return line - in_counter(line, settings.counter_bits) % step;
    };
    const std::int64_t lowest = std::min(below(before.line), below(now));
    for (std::int64_t checkpoint = below(now); checkpoint >= lowest; checkpoint = below(checkpoint - 1)) {
        possible.push_back(checkpoint);
        if (checkpoint == 0) break;
    }
    return possible;
}

/// The ticks between two messages if the node started from `restored` in between: those that it has counted
/// since the start, and those that it had counted between the first message and the start.
std::int64_t counted_if(std::int64_t restored, const Delivery& before, const Delivery& after) {
    return after.first_line - restored + std::max<std::int64_t>(restored - before.line, 0);
}

std::int64_t told_over_start(const NodeSettings& settings, const Delivery& before, const Delivery& after) {
    const std::int64_t within_pack = after.line - after.first_line;
    // A node that keeps every tick reveals all of them.
    if (settings.checkpoint_ticks == 1) return after.line - before.line;
    std::int64_t least = std::numeric_limits<std::int64_t>::max();
    for (const std::int64_t restored : possible_restores(settings, before, after))
        least = std::min(least, counted_if(restored, before, after));
    // Without a field that shows the restart, a count that goes on looks as if the node had never been off.
    const bool is_counter = settings.message == MessageForm::counter;
    const bool tells_start = settings.tells_boot && is_counter;
    const std::int64_t shown_before = in_counter(before.line, settings.counter_bits);
    const std::int64_t shown_after = in_counter(after.first_line, settings.counter_bits);
    const bool may_have_kept = settings.checkpoint_ticks == 0 && !(settings.tells_saved && is_counter);
    if ((!tells_start || may_have_kept) && shown_after >= shown_before)
        least = std::min(least, shown_after - shown_before);
    return least + within_pack;
}

/// The ticks since the count from which, judging by the message, the node started.
std::int64_t since_checkpoint(const NodeSettings& settings, const Delivery& after) {
    if (settings.tells_saved && settings.message == MessageForm::counter)
        return after.line - after.restored_line;
    const std::int64_t shown = in_counter(after.line, settings.counter_bits);
    return settings.checkpoint_ticks == 0 ? shown
                                          : shown % static_cast<std::int64_t>(settings.checkpoint_ticks);
}

/// If only a fall of the count shows a restart, the fall may also have been a wrong reading. If the very next
/// count is at or above the one before the fall, only the difference between these two is told beyond doubt.
/// Messages that may be old ones do not count as the next.
class Fall {
public:
    void see(const NodeSettings& settings, const Delivery& before, const Delivery& after, std::int64_t told) {
        const bool tells_start = settings.tells_boot && settings.message == MessageForm::counter;
        const auto shown_before = in_counter(before.line, settings.counter_bits);
        is_open_ = !tells_start && in_counter(after.first_line, settings.counter_bits) < shown_before;
        shown_before_ = shown_before;
        shown_fallen_ = in_counter(after.line, settings.counter_bits);
        told_since_ = told;
    }
    /// The ticks told by a fall that was not confirmed before another restart fell below it. If water ran
    /// back, there are none to take back.
    [[nodiscard]] std::int64_t take_back_unconfirmed(const NodeSettings& settings, std::int64_t line) const {
        return is_open_ && in_counter(line, settings.counter_bits) < shown_fallen_
                   ? std::max<std::int64_t>(told_since_, 0)
                   : 0;
    }
    /// The most ticks that were counted twice, now that the count is `line`. Then the fall is forgotten.
    [[nodiscard]] std::int64_t take_back(const NodeSettings& settings, std::int64_t line, std::int64_t told,
                                         bool may_be_old) {
        if (!is_open_) return 0;
        const std::int64_t more = in_counter(line, settings.counter_bits) - shown_before_;
        told_since_ += told;
        is_open_ = more < 0 && may_be_old;
        return more >= 0 ? std::max<std::int64_t>(told_since_ - more, 0) : 0;
    }

private:
    bool is_open_ = false;
    std::int64_t shown_before_ = 0;
    std::int64_t shown_fallen_ = 0;
    std::int64_t told_since_ = 0;
};

}  // namespace

Told told_by_counts(const NodeSettings& settings, const MeterSettings& meter,
                    const std::vector<PlannedTrouble>& troubles, const std::vector<const Sent*>& heard) {
    Told told;
    const Sent* last = nullptr;
    const Sent* last_but_one = nullptr;
    Fall fall;
    std::int64_t set_back = 0;
    std::set<std::uint64_t> boots;
    std::uint64_t newest_boot = 0;
    for (auto place = heard.begin(); place != heard.end(); ++place) {
        const Sent* const now = *place;
        const Delivery& after = now->delivery;
        told.starts_cross |= after.boot < newest_boot && boots.count(after.boot) == 0;
        boots.insert(after.boot);
        newest_boot = std::max(newest_boot, after.boot);
        if (last == nullptr) {
            told.least_ticks = after.line - after.first_line;
        } else {
            const Delivery& before = last->delivery;
            // A late or repeated message reveals nothing new.
            if (after.sent_at <= before.sent_at) continue;
            // A count that was set by hand shows neither the water that ran before nor water that ran back. A
            // fall just before it is not confirmed.
            if (now->presets_before != last->presets_before) {
                const std::int64_t highest =
                    last_but_one ? std::max(before.counted, last_but_one->delivery.counted) : before.counted;
                set_back += std::max<std::int64_t>(highest - after.counted, 0);
                told.set_by_hand += after.boot != before.boot ? since_checkpoint(settings, after) : 0;
                const std::int64_t gain = in_counter(after.line - before.line, settings.counter_bits);
                const auto third = std::find_if(place, heard.end(), [&](const Sent* later) {
                    return later->delivery.sent_at > after.sent_at;
                });
                const Sent& until = third == heard.end() ? *now : **third;
                if (gain > 0 && gain <= most_by_hand(settings, meter, troubles, *last, until))
                    told.set_by_hand += gain;
            } else {
                if (after.boot == before.boot) {
                    const std::int64_t gain = after.counted - before.counted;
                    told.least_ticks -= fall.take_back_unconfirmed(settings, after.first_line);
                    told.least_ticks += gain - fall.take_back(settings, after.line, gain,
                                                              may_be_old(settings, troubles, *now));
                } else {
                    if (settings.tells_saved && settings.checkpoint_ticks == 1) {
                        // The last message before the restart may be taken for a wrong reading.
                        const std::int64_t highest =
                            last_but_one ? std::max(before.line, last_but_one->delivery.line) : before.line;
                        told.ran_back_over_starts += std::max<std::int64_t>(highest - after.restored_line, 0);
                    }
                    const std::int64_t gain = told_over_start(settings, before, after);
                    told.least_ticks -= fall.take_back_unconfirmed(settings, after.first_line);
                    told.least_ticks += gain - fall.take_back(settings, after.first_line, gain,
                                                              may_be_old(settings, troubles, *now));
                    fall.see(settings, before, after, gain - (after.line - after.first_line));
                    // The later readings of a pack count as the next ones.
                    if (after.line != after.first_line) {
                        told.least_ticks -=
                            fall.take_back(settings, after.line, after.line - after.first_line, false);
                    }
                }
            }
        }
        last_but_one = last;
        last = now;
    }
    if (last != nullptr) {
        told.most_ticks = last->delivery.counted - heard.front()->delivery.first_counted + set_back;
        // No message confirms a fall in the last one.
        if (last_but_one != nullptr) {
            told.most_ticks +=
                std::max<std::int64_t>(last_but_one->delivery.counted - last->delivery.counted, 0);
        }
    }
    return told;
}

Told told_by_pulses(const std::vector<const Sent*>& heard) {
    std::int64_t ticks = 0;
    std::set<std::pair<std::uint64_t, std::uint64_t>> seen;
    for (const Sent* now : heard) {
        if (seen.insert({now->delivery.boot, now->delivery.seq}).second)
            ticks += static_cast<std::int64_t>(now->delivery.count);
    }
    return {ticks, ticks, 0, 0, false};
}

}  // namespace tickledger::simulation
