// Shows the daemon's documents as tables for people and as CSV.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

namespace tickledger {

/// How one kind of document is shown. Throws nlohmann::json::exception if the document lacks a member.
struct View {
    /// A table with its units; times are the site's civil times.
    std::string (*table)(const nlohmann::ordered_json& document);
    /// The header record of the CSV, with its units.
    std::string csv_header;
    std::string (*csv)(const nlohmann::ordered_json& document);
};

extern const View meters_view;
extern const View usage_view;
/// usage_view with a bar in each row, for a terminal.
extern const View usage_bars_view;
extern const View draws_view;
/// draws_view with the longest draw first, and a sentence about that one.
extern const View longest_draws_view;
extern const View told_draw_view;
extern const View ledger_view;
/// For GET …/register, and for the answer to a reading.
extern const View register_view;
extern const View reading_view;
extern const View calibration_view;
extern const View alarms_view;
/// The answer to a change of an alarm.
extern const View alarm_view;
extern const View away_view;
extern const View clock_view;
extern const View health_view;
/// GET …/history: the imports.
extern const View history_view;

}  // namespace tickledger
