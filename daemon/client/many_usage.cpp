#include "client/many_usage.hpp"

#include <date/date.h>
#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "client/ranges.hpp"
#include "client/table.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

namespace {

/// The volume of one meter, or of several, in one row.
struct Cell {
    bool is_known = false;
    /// True if every summed meter saw all of the row's time.
    bool is_whole = true;
    double volume_l = 0;

    void add(const Cell& other) {
        is_known = is_known || other.is_known;
        is_whole = is_whole && other.is_known && other.is_whole;
        volume_l += other.volume_l;
    }
    void take_away(const Cell& other) {
        is_whole = is_whole && other.is_known && other.is_whole;
        volume_l -= other.volume_l;
    }
};

using Cells = std::vector<Cell>;

struct Line {
    std::string title;
    Cells cells;
};

/// Every row that any of the meters has, in order of time.
std::map<Instant, std::string> columns_of(const std::vector<Json>& documents) {
    std::map<Instant, std::string> columns;
    for (const Json& document : documents) {
        for (const Json& row : document.at("rows")) {
            const std::string from = row.at("from");
            if (const auto at = parse_rfc3339(from)) columns.emplace(*at, from);
        }
    }
    return columns;
}

Cells cells_of(const Json& document, const std::map<Instant, std::string>& columns) {
    Cells cells(columns.size());
    for (Cell& cell : cells)
        cell.is_whole = false;
    for (const Json& row : document.at("rows")) {
        const auto at = parse_rfc3339(row.at("from").get<std::string>());
        if (!at || row.at("volume_l").is_null()) continue;
        const auto place = std::distance(columns.begin(), columns.find(*at));
        cells[static_cast<std::size_t>(place)] = {
            true, row.at("covered_s").get<std::int64_t>() >= length_s(row), row.at("volume_l").get<double>()};
    }
    return cells;
}

Cells sum_of(const std::vector<const Line*>& lines, std::size_t size) {
    Cells sum(size);
    for (const Line* line : lines) {
        for (std::size_t i = 0; i < size; ++i)
            sum[i].add(line->cells[i]);
    }
    return sum;
}

std::string text_of(const Cell& cell) {
    return cell.is_known ? fmt::format("{:.1f}{}", cell.volume_l, cell.is_whole ? "" : "*") : no_data;
}

Cell total_of(const Cells& cells) {
    Cell total;
    for (const Cell& cell : cells)
        total.add(cell);
    return total;
}

/// The row's time, as short as the step allows.
std::string title_of(const std::string& from, const std::string& step) {
    if (step == "year") return from.substr(0, 4);
    if (step == "month") return from.substr(0, 7);
    if (step == "day" || step == "week") return from.substr(5, 5);
    return from.substr(5, 5) + ' ' + from.substr(11, 5);
}

/// The lines of the meters in the order of their groups, each group with its sum.
class Building {
public:
    Building(const std::vector<Json>& documents, const Names& names, std::size_t columns_count,
             const std::map<Instant, std::string>& columns)
        : columns_count_(columns_count) {
        std::map<std::string, const Json*> by_id;
        for (const Json& document : documents)
            by_id[document.at("meter")] = &document;
        for (const NamedMeter& meter : names.meters()) {
            const auto found = by_id.find(meter.id);
            if (found == by_id.end()) continue;
            meters_.push_back(meter);
            lines_[meter.id] = {names.label(meter.id), cells_of(*found->second, columns)};
        }
    }

    [[nodiscard]] std::vector<Line> lines() const {
        std::vector<Line> lines;
        std::vector<std::string> groups;
        for (const NamedMeter& meter : meters_) {
            if (std::ranges::find(groups, meter.group) == groups.end()) groups.push_back(meter.group);
        }
        for (const std::string& group : groups) {
            std::vector<const Line*> members;
            for (const NamedMeter& meter : meters_) {
                if (meter.group != group) continue;
                members.push_back(&lines_.at(meter.id));
                lines.push_back(*members.back());
            }
            if (!group.empty())
                lines.push_back({fmt::format("Sum of {}", group), sum_of(members, columns_count_)});
        }
        for (const NamedMeter& meter : meters_)
            add_difference(lines, meter);
        lines.push_back({"Sum", sum_of(without_parents(), columns_count_)});
        return lines;
    }

private:
    [[nodiscard]] std::vector<const Line*> without_parents() const {
        std::vector<const Line*> outermost;
        for (const NamedMeter& meter : meters_) {
            if (!lines_.contains(meter.parent)) outermost.push_back(&lines_.at(meter.id));
        }
        return outermost;
    }

    void add_difference(std::vector<Line>& lines, const NamedMeter& main) const {
        Line rest{fmt::format("{} less those below it", lines_.at(main.id).title), lines_.at(main.id).cells};
        bool has_children = false;
        for (const NamedMeter& meter : meters_) {
            if (meter.parent != main.id) continue;
            has_children = true;
            for (std::size_t i = 0; i < columns_count_; ++i)
                rest.cells[i].take_away(lines_.at(meter.id).cells[i]);
        }
        if (has_children) lines.push_back(std::move(rest));
    }

    std::size_t columns_count_;
    std::vector<NamedMeter> meters_;
    std::map<std::string, Line> lines_;
};

std::size_t widest_line(const std::string& text) {
    std::size_t widest = 0;
    for (std::size_t begin = 0; begin < text.size();) {
        const std::size_t end = std::min(text.find('\n', begin), text.size());
        widest = std::max(widest, end - begin);
        begin = end + 1;
    }
    return widest;
}

std::string table_of(const std::vector<Line>& lines, const std::vector<std::string>& titles) {
    std::vector<Column> columns{{"Meter"}};
    for (const std::string& title : titles)
        columns.push_back({title, Align::right});
    columns.push_back({"Sum", Align::right});
    Table table(columns);
    for (const Line& line : lines) {
        std::vector<std::string> cells{line.title};
        for (std::size_t i = 0; i < titles.size(); ++i)
            cells.push_back(text_of(line.cells[i]));
        cells.push_back(text_of(total_of(line.cells)));
        table.add(std::move(cells));
    }
    return table.text(0);
}

}  // namespace

Json weekly(Json usage) {
    if (usage.at("step") != "day") return usage;
    Json weeks = Json::array();
    std::string monday;
    for (Json& row : usage.at("rows")) {
        const auto begins = monday_before(row.at("from"));
        if (!begins) continue;
        if (weeks.empty() || *begins != monday) {
            monday = *begins;
            weeks.push_back(std::move(row));
            continue;
        }
        Json& week = weeks.back();
        week["to"] = row.at("to");
        for (const char* member : {"covered_s", "spread_ticks"})
            week[member] = week.at(member).get<std::int64_t>() + row.at(member).get<std::int64_t>();
        week["revision"] =
            std::max(week.at("revision").get<std::int64_t>(), row.at("revision").get<std::int64_t>());
        for (const char* member : {"ticks", "volume_l", "cost"}) {
            if (!row.contains(member) || row.at(member).is_null()) continue;
            if (week.at(member).is_null()) {
                week[member] = row.at(member);
            } else if (std::string_view(member) == "ticks") {
                week[member] = week.at(member).get<std::int64_t>() + row.at(member).get<std::int64_t>();
            } else {
                week[member] = week.at(member).get<double>() + row.at(member).get<double>();
            }
        }
    }
    usage["step"] = "week";
    usage["rows"] = std::move(weeks);
    return usage;
}

std::string usage_of_many(const std::vector<Json>& documents, const Names& names, std::size_t width) {
    const std::string step = documents.front().at("step");
    const auto columns = columns_of(documents);
    std::string text =
        fmt::format("Litres by {}, {}", step, documents.front().at("timezone").get<std::string>());
    if (columns.empty()) return text + "\nNo row begins in this range.\n";
    const auto lines = Building(documents, names, columns.size(), columns).lines();
    std::vector<std::string> titles;
    for (const auto& [at, from] : columns)
        titles.push_back(title_of(from, step));
    std::string table = table_of(lines, titles);
    if (width > 0 && widest_line(table) > width) {
        table = table_of(lines, {});
        text += fmt::format(", {} of them from {} to {}: too many for this width (--csv --wide has them all)",
                            columns.size(), titles.front(), titles.back());
    }
    text += '\n' + table;
    if (table.find('*') != std::string::npos) text += "* Not all of it was seen.\n";
    return text;
}

std::string wide_csv(const std::vector<Json>& documents) {
    std::vector<std::string> header{"from", "to"};
    std::map<Instant, std::vector<std::string>> records;
    for (std::size_t i = 0; i < documents.size(); ++i) {
        header.push_back(documents[i].at("meter").get<std::string>() + "_l");
        for (const Json& row : documents[i].at("rows")) {
            const auto at = parse_rfc3339(row.at("from").get<std::string>());
            if (!at) continue;
            auto& record = records[*at];
            record.resize(documents.size() + 2);
            record[0] = row.at("from");
            record[1] = row.at("to");
            record[i + 2] = csv_field(row.at("volume_l"));
        }
    }
    std::string text = csv_record(header);
    for (const auto& [at, record] : records)
        text += csv_record(record);
    return text;
}

}  // namespace tickledger
