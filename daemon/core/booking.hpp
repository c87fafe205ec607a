// What the two ways of counting share. Inner header of the booking sources.
#pragma once

#include "tickledger/counter.hpp"

namespace tickledger::booking {

/// A node that fell silent and started again may have its start told a little too early.
inline constexpr Duration start_tolerance = std::chrono::minutes{2};

/// By so much a node's clock may be off, and is believed.
inline constexpr Duration clock_tolerance = std::chrono::minutes{2};

/// Where no boot is told, a wrong number, or one of another start, must not pass for a long time.
inline constexpr std::int64_t consecutive_most = 4;

/// A node that tells an earlier year has no clock, or an unset one.
inline constexpr Instant clocks_begin = std::chrono::sys_days{std::chrono::year{2001} / 1 / 1};

/// The reading at the moment that it counts for.
[[nodiscard]] Observation observation_of(const CounterState& state, const Reading& reading,
                                         const Circumstances& came, const CounterRules& rules,
                                         Booking& booking);

/// True where the node itself tells that it started anew between the two: another boot or, where it tells
/// none, an uptime that fell, and so far that the node can have started since. An equal boot outweighs a
/// fallen uptime, which may have wrapped.
[[nodiscard]] bool restart_told(const Observation& from, const Observation& to, const CounterRules& rules);

/// How a message stands to what is held, by its boot and number.
enum class ToHeld : std::uint8_t {
    may_follow,  ///< Nothing tells that it does not.
    before,      ///< Of the same start, and sent before it.
    beside,      ///< What is held began another start; this goes on with that of the last accepted one.
};

/// What is held began another start by its boot or, where none is told, by a number that fell. Where nothing
/// is held, a message may follow.
[[nodiscard]] ToHeld to_held(const CounterState& state, std::optional<std::uint64_t> boot,
                             std::optional<std::uint64_t> seq, const CounterRules& rules);

/// The message, whose boot is told, cannot continue what is held.
[[nodiscard]] bool passes_over_held(const CounterState& state, const Observation& observation,
                                    const CounterRules& rules);

/// The mark that a observation leaves at the end of its entry.
[[nodiscard]] Mark mark_of(const Observation& observation);

/// `to` as the new last observation: what it leaves unsaid of the boot holds on from before.
[[nodiscard]] Observation carried_on(const Observation& before, Observation to, const CounterRules& rules);

/// When the message was sent at the earliest, as far as it is known to have waited.
[[nodiscard]] Instant sent_from(const Observation& observation);

/// The longest time in which anything may have run between the two.
[[nodiscard]] Duration longest_unseen(const Observation& from, const Observation& to,
                                      const CounterRules& rules);

/// An entry of a kind where something may have run unseen: at most what is plausible in `longest`, less what
/// it holds. The span may be placed too short; the longest time that may have passed is not.
[[nodiscard]] Entry uncertain(Entry entry, Duration longest, const CounterRules& rules);

void book_count(CounterState& state, const Observation& observation, const Circumstances& came,
                const CounterRules& rules, Booking& booking);
void book_pulses(CounterState& state, const Observation& observation, const Circumstances& came,
                 const CounterRules& rules, Booking& booking);

}  // namespace tickledger::booking
