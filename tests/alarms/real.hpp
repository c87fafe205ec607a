// Data of real homes for the study, if it is available: a directory with registers.csv.gz (hourly registers
// of households, a year each) and flat-spring.csv.gz (one flat's fixtures, every second of three months).
//
// Source and licence: DAIAD open data, trial A, CC BY-SA 4.0 (registers); WEUSEDTO, A. Di Mauro et al., Data
// in Brief 2022, CC BY 4.0 (flat).
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "tickledger/alarm.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/meter.hpp"

namespace tickledger::alarms {

/// $TICKLEDGER_REAL, or ../shared/real beside the project. It may not exist.
[[nodiscard]] std::filesystem::path real_directory();

/// One household's year as the whole daemon booked it.
struct Household {
    int number = 0;
    double years = 0;
    std::vector<Alarm> alarms;
};

/// Books each household's readings through the bookkeeper with these settings: a counter that keeps every
/// tick, and one message an hour. Throws std::runtime_error if the file cannot be read.
[[nodiscard]] std::vector<Household> replay_registers(const std::filesystem::path& file,
                                                      const MeterSettings& settings);

/// The flat's water as booked from a node with the meter's cadence. Throws likewise.
[[nodiscard]] std::vector<Entry> entries_of_flat(const std::filesystem::path& file,
                                                 const MeterSettings& meter);

}  // namespace tickledger::alarms
