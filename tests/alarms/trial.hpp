// One trial of the detectors: a simulated house with or without a leak, a meter and a node. Its outcome says
// what was found, and when.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "simulation/household.hpp"
#include "simulation/readings.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/meter.hpp"

namespace tickledger::alarms {

/// 2026-06-01T00:00:00Z, a Monday. The houses of the study keep UTC.
inline constexpr Instant first_midnight{std::chrono::sys_days{std::chrono::year{2026} / 6 / 1}};
inline constexpr int month_days = 30;

struct Trial {
    std::uint64_t seed = 0;
    double pulse_value_l = 1;
    Duration cadence = std::chrono::minutes{3};
    double leak_l_per_h = 0;
};

/// A house-month as booked from its meter and its node.
struct Month {
    MeterSettings meter;
    std::vector<Entry> entries;
    /// When the leak begins, in the first three days; it runs to the end of the month.
    std::optional<Instant> leak_from;
};

/// Simulates the water, the ticks and the messages, and books them as the daemon does.
[[nodiscard]] Month month_of(const Trial& trial);

/// Books readings into entries: the daemon's own code.
[[nodiscard]] std::vector<Entry> entries_of(const std::vector<simulation::NodeReading>& readings,
                                            const MeterSettings& meter);

struct Outcome {
    /// Nights after which night-flow was raised, not counting those while it was already raised.
    std::vector<Instant> night_raised;
    int nights_decided = 0;
    int nights_undecided = 0;
    /// Whether the first whole night of the leak showed it; nothing if that night was undecided.
    std::optional<bool> first_night_found;
    std::vector<Instant> slow_raised;
    std::vector<Instant> high_flow_raised;
    std::vector<Instant> long_draw_raised;
};

/// Runs high-flow and long-draw over the entries, whether or not the meter's settings have them on.
void watch_uses(const std::vector<Entry>& entries, const MeterSettings& meter, Outcome& outcome);

/// Runs all detectors over the entries, as `book/` runs those that are on.
[[nodiscard]] Outcome watch(const Month& month);

}  // namespace tickledger::alarms
