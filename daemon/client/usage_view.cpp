// Shows rows of civil time, with bars if wanted.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "client/cells.hpp"
#include "client/table.hpp"
#include "client/views.hpp"

namespace tickledger {

namespace {

// The beginning of a row, as short as its step allows.
std::string row_name(const std::string& from, const std::string& step, bool with_offset) {
    if (step == "year") return from.substr(0, 4);
    if (step == "month") return from.substr(0, 7);
    if (step == "day" || step == "week") return from.substr(0, 10);
    return civil(from) + (with_offset ? " " + offset_of(from) : "");
}

// In days and hours if the whole is long, in seconds if it is short.
std::string length_text(std::int64_t seconds, std::int64_t whole_s) {
    constexpr std::int64_t day_s = 86'400;
    if (whole_s < 120) return fmt::format("{} s", seconds);
    if (whole_s < 2 * day_s) return fmt::format("{} h {:02} min", seconds / 3600, seconds % 3600 / 60);
    const std::int64_t hours = seconds % day_s / 3600;
    if (seconds < day_s) return fmt::format("{} h", hours);
    return hours == 0 ? fmt::format("{} d", seconds / day_s)
                      : fmt::format("{} d {} h", seconds / day_s, hours);
}

std::string notes_of_row(const Json& row) {
    if (row.at("ticks").is_null()) return {};
    std::string notes;
    const auto length = length_s(row);
    const auto covered = row.at("covered_s").get<std::int64_t>();
    if (covered < length) {
        append(notes, fmt::format("incomplete: {} of {}", length_text(covered, length),
                                  length_text(length, length)));
    }
    const auto spread = row.at("spread_ticks").get<std::int64_t>();
    if (spread != 0)
        append(notes, counted(spread, "tick spread from a longer span", "ticks spread from longer spans"));
    const auto revision = row.at("revision").get<std::int64_t>();
    if (revision > 0) append(notes, "revision " + std::to_string(revision));
    return notes;
}

double most_of(const Json& rows) {
    double most_l = 0;
    for (const Json& row : rows) {
        if (!row.at("volume_l").is_null()) most_l = std::max(most_l, row.at("volume_l").get<double>());
    }
    return most_l;
}

// A bar, exact to an eighth of a character. Paler blocks show that part of the row was not seen.
std::string bar_of(const Json& row, double most_l) {
    constexpr int width = 24;
    constexpr std::array eighths{"", "▏", "▎", "▍", "▌", "▋", "▊", "▉"};
    if (row.at("ticks").is_null() || most_l <= 0) return {};
    const double part = std::max(0.0, row.at("volume_l").get<double>() / most_l);
    const auto units = static_cast<std::size_t>(std::lround(part * width * 8));
    const bool is_whole = row.at("covered_s").get<std::int64_t>() >= length_s(row);
    std::string bar;
    for (std::size_t i = 0; i < units / 8; ++i)
        bar += is_whole ? "█" : "▒";
    if (is_whole) return bar + eighths[units % 8];
    return bar.empty() && units > 0 ? "▒" : bar;
}

std::string usage_table(const Json& document, bool with_bars) {
    const std::string step = document.at("step");
    const Json& rows = document.at("rows");
    std::string text = fmt::format("{}, by {}, {}\n", document.at("meter").get<std::string>(), step,
                                   document.at("timezone").get<std::string>());
    if (rows.empty()) return text + "No row begins in this range.\n";
    // When the clocks go back an hour occurs twice, and only the offset distinguishes them.
    const bool with_offset = offset_of(rows.front().at("from")) != offset_of(rows.back().at("from"));
    const bool has_cost = document.contains("currency");
    std::vector<Column> columns{{"From"}, {"Ticks", Align::right}, {"Volume L", Align::right}};
    if (has_cost) columns.push_back({"Cost " + document.at("currency").get<std::string>(), Align::right});
    if (with_bars) columns.push_back({""});
    columns.push_back({"Notes"});
    Table table(columns);
    const double most_l = with_bars ? most_of(rows) : 0;
    std::int64_t ticks = 0;
    double volume_l = 0;
    double cost = 0;
    bool is_any_known = false;
    for (const Json& row : rows) {
        std::vector<std::string> cells{row_name(row.at("from"), step, with_offset), whole(row.at("ticks")),
                                       number(row.at("volume_l"), 3)};
        if (has_cost) cells.push_back(number(row.at("cost"), 2));
        if (with_bars) cells.push_back(bar_of(row, most_l));
        cells.push_back(notes_of_row(row));
        table.add(std::move(cells));
        if (row.at("ticks").is_null()) continue;
        is_any_known = true;
        ticks += row.at("ticks").get<std::int64_t>();
        volume_l += row.at("volume_l").get<double>();
        if (has_cost && !row.at("cost").is_null()) cost += row.at("cost").get<double>();
    }
    std::vector<std::string> total{"Total", is_any_known ? std::to_string(ticks) : no_data,
                                   is_any_known ? fmt::format("{:.3f}", volume_l) : no_data};
    if (has_cost) total.push_back(is_any_known ? fmt::format("{:.2f}", cost) : no_data);
    if (with_bars) total.emplace_back();
    total.emplace_back();
    table.add(std::move(total));
    return text + table.text();
}

std::string usage_csv(const Json& document) {
    std::string text;
    for (const Json& row : document.at("rows")) {
        std::vector<std::string> fields{csv_field(document.at("meter"))};
        for (const char* member :
             {"from", "to", "ticks", "volume_l", "covered_s", "spread_ticks", "revision"})
            fields.push_back(csv_field(row.at(member)));
        // Empty if no cost was asked for, so that the columns are always the same.
        fields.push_back(row.contains("cost") ? csv_field(row.at("cost")) : "");
        fields.push_back(document.contains("currency") ? csv_field(document.at("currency")) : "");
        text += csv_record(fields);
    }
    return text;
}

std::string plain_table(const Json& document) {
    return usage_table(document, false);
}

std::string table_with_bars(const Json& document) {
    return usage_table(document, true);
}

}  // namespace

const View usage_view{plain_table,
                      csv_record({"meter", "from", "to", "ticks", "volume_l", "covered_s", "spread_ticks",
                                  "revision", "cost", "currency"}),
                      usage_csv};
const View usage_bars_view{table_with_bars, usage_view.csv_header, usage_csv};

}  // namespace tickledger
