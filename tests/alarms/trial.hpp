// One trial of the detectors: a simulated house, a leak or none, a meter, a node; what was found, and when.
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

/// A house-month as its meter and its node tell it.
struct Month {
    MeterSettings meter;
    std::vector<Entry> entries;
    /// From when the leak runs to the end of the month; it begins at any time of the first three days.
    std::optional<Instant> leak_from;
};

/// Simulates the water, the ticks and the messages, and books them as the daemon does.
[[nodiscard]] Month month_of(const Trial& trial);

/// Books readings into entries: the daemon's own code.
[[nodiscard]] std::vector<Entry> entries_of(const std::vector<simulation::NodeReading>& readings,
                                            const MeterSettings& meter);

struct Outcome {
    /// Nights after which night-flow would be raised while it does not stand.
    std::vector<Instant> night_raised;
    int nights_decided = 0;
    int nights_undecided = 0;
    /// The first whole night of the leak: nothing where it was undecided.
    std::optional<bool> first_night_found;
    std::vector<Instant> slow_raised;
    std::vector<Instant> high_flow_raised;
    std::vector<Instant> long_draw_raised;
};

/// Lets high-flow and long-draw follow the entries, whether the meter would watch for them or not.
void watch_uses(const std::vector<Entry>& entries, const MeterSettings& meter, Outcome& outcome);

/// Lets the detectors follow the entries, as `book/` does, but all of them.
[[nodiscard]] Outcome watch(const Month& month);

}  // namespace tickledger::alarms
