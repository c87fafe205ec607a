// What the booking of counts and of pulses share. Internal header of the booking sources.
#pragma once

#include "tickledger/counter.hpp"

namespace tickledger::booking {

/// A node's uptime may date its start too early by this much.
inline constexpr Duration start_tolerance = std::chrono::minutes{2};

/// A node's clock may be off by this much and is still believed.
inline constexpr Duration clock_tolerance = std::chrono::minutes{2};

/// Within one start: a year. No message waits longer.
inline constexpr Duration one_start_longest = std::chrono::days{366};

/// If no boot is given, a number is believed only up to this far ahead. A wrong number, or one of another
/// start, must not pass for a long time.
inline constexpr std::int64_t consecutive_most = 4;

/// A node that gives an earlier year has no clock, or one that was never set.
inline constexpr Instant clocks_begin = std::chrono::sys_days{std::chrono::year{2001} / 1 / 1};

/// The reading at the moment that it counts for. Sets `booking.clock_disbelieved`.
[[nodiscard]] Observation observation_of(const CounterState& state, const Reading& reading,
                                         const Circumstances& came, const CounterRules& rules,
                                         Booking& booking);

/// True if the node itself reports that it restarted between the two: by another boot or, if it gives none,
/// by an uptime that fell so far that the node can have started since. An equal boot outweighs a fallen
/// uptime, which may have wrapped.
[[nodiscard]] bool restart_told(const Observation& from, const Observation& to, const CounterRules& rules);

/// How a message relates to the held one, by its boot and number.
enum class ToHeld : std::uint8_t {
    may_follow,  ///< Nothing shows that it does not follow.
    before,      ///< Of the same start, and sent before the held one.
    beside,      ///< The held one began another start; this one continues that of the last accepted one.
};

/// The held message began another start if its boot is another or, if none is given, its number fell. If
/// nothing is held, a message may follow.
[[nodiscard]] ToHeld to_held(const CounterState& state, std::optional<std::uint64_t> boot,
                             std::optional<std::uint64_t> seq, const CounterRules& rules);

/// The message gives its boot and cannot continue the held one.
[[nodiscard]] bool passes_over_held(const CounterState& state, const Observation& observation,
                                    const CounterRules& rules);

/// The mark that an observation leaves at the end of its entry.
[[nodiscard]] Mark mark_of(const Observation& observation);

/// `to` as the new last observation. If it gives no boot, or no uptime within the same start, it keeps that
/// of `before`.
[[nodiscard]] Observation carried_on(const Observation& before, Observation to, const CounterRules& rules);

/// The earliest moment at which the message was sent, as far as it is known to have waited.
[[nodiscard]] Instant sent_from(const Observation& observation);

/// A message without a believed time that comes sooner than the node sends had waited, and the one before it
/// may have waited too.
[[nodiscard]] bool comes_early(const Observation& from, const Observation& to, const CounterRules& rules);

/// How far apart the two were sent, by their numbers (a cadence each) and their uptimes. At most `most`.
[[nodiscard]] Duration sent_apart(const Observation& from, const Observation& to, Duration most,
                                  const CounterRules& rules);

/// The longest time that may have passed between the two. A gain must be plausible over it.
///
/// If the node's clock was believed for `from` and is not for `to`, the time between the arrivals counts too.
/// If the clock goes on wrong, the time that passed on it counts too.
[[nodiscard]] Duration longest_between(const Observation& from, const Observation& to,
                                       const CounterRules& rules);

/// The longest time by the numbers of one boot. Nothing unless both give that boot and a number.
[[nodiscard]] std::optional<Duration> longest_by_numbers(const Observation& from, const Observation& to,
                                                         const CounterRules& rules);

/// The longest time in which anything may have run between the two.
[[nodiscard]] Duration longest_unseen(const Observation& from, const Observation& to,
                                      const CounterRules& rules);

/// Sets `unseen_max` of an entry in which ticks may have run unseen: the most that is plausible in `longest`,
/// less the booked ticks. The span may be estimated too short; `longest` is not.
[[nodiscard]] Entry uncertain(Entry entry, Duration longest, const CounterRules& rules);

void book_count(CounterState& state, const Observation& observation, const Circumstances& came,
                const CounterRules& rules, Booking& booking);
void book_pulses(CounterState& state, const Observation& observation, const Circumstances& came,
                 const CounterRules& rules, Booking& booking);

}  // namespace tickledger::booking
