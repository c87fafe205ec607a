// Real water for the study, where it is at hand: a directory with registers.csv.gz (hourly registers of
// households, a year each) and flat-spring.csv.gz (each second of one flat's fixtures, three months).
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

/// Books each household's readings through the bookkeeper, under these settings: a counter that keeps every
/// tick, one message an hour. Throws std::runtime_error where the file cannot be read.
[[nodiscard]] std::vector<Household> replay_registers(const std::filesystem::path& file,
                                                      const MeterSettings& settings);

/// The flat's water as a node with this cadence would have told it. Throws likewise.
[[nodiscard]] std::vector<Entry> entries_of_flat(const std::filesystem::path& file,
                                                 const MeterSettings& meter);

}  // namespace tickledger::alarms
