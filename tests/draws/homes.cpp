#include "draws/homes.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <map>
#include <sstream>

#include "simulation/chance.hpp"

namespace tickledger::draws {

namespace {

using simulation::Event;
using simulation::Use;
using std::chrono::hours;
using std::chrono::seconds;

/// 2026-06-01T00:00:00Z.
constexpr Instant first_midnight{std::chrono::sys_days{std::chrono::year{2026} / 6 / 1}};

std::vector<std::vector<std::string>> rows_of(const std::string& file) {
    std::vector<std::vector<std::string>> rows;
    std::ifstream in(file);
    std::string line;
    std::getline(in, line);
    while (std::getline(in, line)) {
        std::vector<std::string> row;
        std::istringstream fields(line);
        std::string field;
        while (std::getline(fields, field, ';'))
            row.push_back(field);
        rows.push_back(std::move(row));
    }
    return rows;
}

Instant at_second(std::int64_t unix_s) {
    return Instant{seconds{unix_s}};
}

void in_order(std::vector<Event>& events) {
    std::sort(events.begin(), events.end(),
              [](const Event& a, const Event& b) { return a.span().from < b.span().from; });
}

Home home_of(std::string name, std::vector<Event> events) {
    in_order(events);
    Home home{std::move(name), std::move(events), {}, 0};
    home.from = std::chrono::floor<std::chrono::days>(home.events.front().span().from);
    home.days = static_cast<int>((home.events.back().span().to - home.from) / hours{24}) + 1;
    return home;
}

/// A fixture's seconds that are no further apart than this are one use.
Duration longest_pause(Use use) {
    return use == Use::shower ? seconds{90} : seconds{10};
}

}  // namespace

Home wild_home(std::uint64_t seed, int days) {
    const auto house = simulation::wild_house_of(seed);
    return {"simulated", simulation::wild_water_of(house, seed, first_midnight, days), first_midnight, days};
}

std::optional<Home> flat(const std::string& directory, double cistern_l_per_min) {
    std::vector<Event> events;
    std::map<std::string, Event> open;
    for (const auto& row : rows_of(directory + "/flat-spring.csv")) {
        const Use use = row[2] == "shower" ? Use::shower : Use::tap;
        const Instant to = at_second(std::stoll(row[0]));
        const Instant from = to - seconds{std::stoll(row[1])};
        Event& event = open[row[2]];
        if (!event.parts.empty() && from - event.parts.back().span.to > longest_pause(use)) {
            events.push_back(event);
            event.parts.clear();
        }
        event.use = use;
        event.parts.push_back({{from, to}, std::llround(std::stod(row[3]) * 1000), use});
    }
    if (open.empty()) return std::nullopt;
    for (const auto& [fixture, event] : open)
        events.push_back(event);
    for (const auto& row : rows_of(directory + "/flat-spring-cycles.csv")) {
        const double volume_l = std::stod(row[3]);
        const Instant from = at_second(std::stoll(row[0]));
        if (volume_l <= 0) continue;
        if (row[2] == "toilet") {
            events.push_back({Use::flush, {draw_of(Use::flush, from, volume_l, cistern_l_per_min)}});
            continue;
        }
        // Three fills of 3.4 L at 3 L/min, as is usual for dishwashers (common practice, no source).
        Event event{Use::dishwasher, {}};
        for (const int minute : {0, 11, 21})
            event.parts.push_back(
                draw_of(Use::dishwasher, from + std::chrono::minutes{minute}, volume_l / 3, 3));
        events.push_back(std::move(event));
    }
    return home_of("a flat", std::move(events));
}

std::optional<Home> house_of_five(const std::string& directory) {
    const std::map<std::string, Use> uses = {{"faucet", Use::tap},
                                             {"toilet", Use::flush},
                                             {"shower", Use::shower},
                                             {"clothwasher", Use::washer},
                                             {"hose", Use::hose}};
    std::vector<Event> events;
    simulation::Chance chance(5);
    for (const auto& row : rows_of(directory + "/house-of-five-events.csv")) {
        const auto use = uses.find(row[6]);
        if (use == uses.end()) continue;
        int year = 0, month = 0, day = 0, hour = 0, minute = 0;
        std::sscanf(row[0].c_str(), "%d-%d-%d %d:%d", &year, &month, &day, &hour, &minute);
        const Instant from = Instant{std::chrono::sys_days{std::chrono::year{year} / month / day}} +
                             hours{hour} + std::chrono::minutes{minute} +
                             chance.moment(std::chrono::minutes{1});
        const simulation::Draw part = draw_of(use->second, from, std::stod(row[2]), std::stod(row[3]));
        // In these data the rinses after a machine's first fill have other labels. They are left unchanged.
        events.push_back({use->second, {part}});
    }
    if (events.empty()) return std::nullopt;
    return home_of("a house of five", std::move(events));
}

Home with_leak(Home home, double l_per_h, std::uint64_t seed) {
    Event event{Use::leak, simulation::wandering_leak({home.from, home.from + hours{24} * home.days}, l_per_h,
                                                      0.1, seed)};
    home.events.insert(home.events.begin(), std::move(event));
    return home;
}

}  // namespace tickledger::draws
