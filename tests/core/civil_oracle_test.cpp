// Compares every zone of the system's zone data with zdump of the C library, day by day over thirty years.
//
// The oracle knows only zdump's list of transitions. It walks through them. A day begins when the zone's
// clock shows a later date than it has ever shown before. If clocks neither skip nor repeat a midnight, every
// rule gives the same result. Otherwise this rule agrees with CivilZone's by design and differs from others:
// - Midnight is skipped (Beirut in spring): the day begins at the jump. The C library's mktime may give an
//   hour earlier.
// - Midnight happens twice (Havana, St. John's in autumn): the first one counts. A rule that takes the later
//   offset gives the second. A rule that trusts the clock's date gives St. John's old day 59 minutes more.
// - A date is skipped (Samoa 2011-12-30): it begins where the next date begins and has no length.
// civil_test.cpp has these cases, worked out by hand.
#include <catch2/catch.hpp>
#include <charconv>
#include <cstdio>
#include <fstream>
#include <map>
#include <memory>
#include <sstream>
#include <vector>

#include "tickledger/civil.hpp"

using namespace tickledger;
using namespace date::literals;

namespace {

constexpr date::sys_days first_day = 1997_y / 1 / 1;
constexpr date::sys_days last_day = 2026_y / 12 / 31;

/// From `from` on, the zone's clock shows UTC plus `offset`.
struct Regime {
    std::chrono::seconds from{};
    std::chrono::seconds offset{};
};

int number(std::string_view text) {
    int value = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    REQUIRE(error == std::errc{});
    REQUIRE(end == text.data() + text.size());
    return value;
}

/// "-033030", "+0545", "+02", "-00".
std::chrono::seconds offset_of(std::string_view text) {
    std::chrono::seconds offset = std::chrono::hours{number(text.substr(1, 2))};
    if (text.size() >= 5) offset += std::chrono::minutes{number(text.substr(3, 2))};
    if (text.size() >= 7) offset += std::chrono::seconds{number(text.substr(5, 2))};
    return text[0] == '-' ? -offset : offset;
}

/// "2022-03-27" and "01", "01:30" or "01:30:15".
std::chrono::seconds clock_of(std::string_view day, std::string_view time) {
    const date::sys_days midnight =
        date::year{number(day.substr(0, 4))} / number(day.substr(5, 2)) / number(day.substr(8, 2));
    std::chrono::seconds clock = midnight.time_since_epoch() + std::chrono::hours{number(time.substr(0, 2))};
    if (time.size() >= 5) clock += std::chrono::minutes{number(time.substr(3, 2))};
    if (time.size() >= 8) clock += std::chrono::seconds{number(time.substr(6, 2))};
    return clock;
}

/// The names of all zones or links. The compact zone data has a line "Z name …" or "L target name" for each.
std::vector<std::string> zone_names(char kind) {
    std::ifstream data{"/usr/share/zoneinfo/tzdata.zi"};
    std::vector<std::string> names;
    for (std::string line; std::getline(data, line);) {
        std::istringstream words{line};
        std::string word;
        std::string name;
        if (line.empty() || line[0] != kind || line[1] != ' ') continue;
        words >> word >> name;
        if (kind == 'L') words >> name;
        // "Factory" is the zone data's placeholder for a machine whose zone is not set yet.
        if (name != "Factory") names.push_back(name);
    }
    return names;
}

/// The output of `zdump -i` for the zones, from the year before the first day on.
std::map<std::string, std::vector<Regime>> regimes_of(const std::vector<std::string>& names) {
    std::string command = "zdump -i -c 1996,2028";
    for (const std::string& name : names)
        command += " " + name;
    const std::unique_ptr<FILE, int (*)(FILE*)> output{popen(command.c_str(), "r"), pclose};
    REQUIRE(output);
    std::map<std::string, std::vector<Regime>> regimes;
    std::vector<Regime>* current = nullptr;
    std::string day;
    std::string time;
    std::string offset;
    for (char line[256]; std::fgets(line, sizeof line, output.get()) != nullptr;) {
        const std::string text{line};
        if (text.starts_with("TZ=\"")) {
            current = &regimes[text.substr(4, text.find('"', 4) - 4)];
        } else if (std::istringstream{text} >> day >> time >> offset) {
            REQUIRE(current != nullptr);
            if (day == "-") {
                current->push_back({std::chrono::seconds::min(), offset_of(offset)});
            } else {
                current->push_back({clock_of(day, time) - offset_of(offset), offset_of(offset)});
            }
        }
    }
    return regimes;
}

/// When each date begins, by the latest date that the clock has shown so far. Skipped dates are left out.
std::map<date::sys_days, Instant> day_starts(const std::vector<Regime>& regimes) {
    std::map<date::sys_days, Instant> starts;
    date::sys_days reached = first_day - date::days{1};
    for (std::size_t i = 0; i < regimes.size(); ++i) {
        const bool is_last = i + 1 == regimes.size();
        const std::chrono::seconds begin =
            std::max(regimes[i].from, first_day.time_since_epoch() - std::chrono::seconds{172'800});
        const std::chrono::seconds end =
            is_last ? last_day.time_since_epoch() + std::chrono::seconds{172'800} : regimes[i + 1].from;
        if (end <= begin) continue;
        const date::sys_days shown = date::floor<date::days>(date::sys_seconds{begin + regimes[i].offset});
        if (shown > reached) {
            starts[shown] = Instant{begin};
            reached = shown;
        }
        for (;;) {
            const std::chrono::seconds midnight =
                (reached + date::days{1}).time_since_epoch() - regimes[i].offset;
            if (midnight < begin || midnight >= end) break;
            reached += date::days{1};
            starts[reached] = Instant{midnight};
        }
    }
    return starts;
}

std::string describe(const std::string& name, date::sys_days day) {
    std::ostringstream text;
    text << name << " " << date::year_month_day{day};
    return text.str();
}

/// The first day on which the zone and the oracle differ, or an empty string.
std::string first_difference(const std::string& name, const std::vector<Regime>& regimes) {
    const Result<CivilZone> zone = CivilZone::find(name);
    if (!zone) return zone.error().text;
    const std::map<date::sys_days, Instant> starts = day_starts(regimes);
    RowFinder rows{*zone, std::chrono::minutes{15}};
    Duration length_before{};
    for (auto day = starts.lower_bound(first_day); day->first <= last_day; ++day) {
        const auto next = std::next(day);
        if (next == starts.end()) return describe(name, day->first) + ": the oracle ends";
        const Span span{day->second, next->second};
        if (zone->start_of(day->first) != span.from)
            return describe(name, day->first) + ": different beginning";
        if (next->first != day->first + date::days{1} &&
            zone->start_of(day->first + date::days{1}) != span.to) {
            return describe(name, day->first) +
                   ": the skipped date after it does not begin with the next date";
        }
        if (rows.row_at(Step::day, span.from) != span)
            return describe(name, day->first) + ": different length";
        // Finding dates is slower, so they are checked only around odd days and once a month.
        const bool odd = span.length() != length_before || date::year_month_day{day->first}.day() == 15_d;
        length_before = span.length();
        if (odd &&
            (zone->date_of(span.from) != day->first || zone->date_of(span.to - Duration{1}) != day->first ||
             zone->date_of(span.from + span.length() / 2) != day->first)) {
            return describe(name, day->first) + ": different date within the day";
        }
    }
    return {};
}

}  // namespace

TEST_CASE("the days of every zone begin when zdump says", "[oracle]") {
    const std::vector<std::string> names = zone_names('Z');
    REQUIRE(names.size() > 300);
    const auto regimes = regimes_of(names);
    REQUIRE(regimes.size() == names.size());
    std::size_t transitions = 0;
    for (const auto& [name, its_regimes] : regimes) {
        transitions += its_regimes.size();
        CHECK(first_difference(name, its_regimes) == "");
    }
    // Fails if a change of zdump's output leaves nothing to compare.
    CHECK(transitions > 5'000);
}

TEST_CASE("every link of the zone data is a zone too", "[oracle]") {
    const std::vector<std::string> names = zone_names('L');
    REQUIRE(names.size() > 100);
    for (const std::string& name : names) {
        INFO(name);
        CHECK(CivilZone::find(name));
    }
}
