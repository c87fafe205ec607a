#include "simulation/household.hpp"

#include <array>
#include <numeric>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

using std::chrono::hours;
using std::chrono::minutes;

// How likely water is used in each hour of the day. Invented: a morning and an evening hump.
constexpr std::array<int, 24> waking_hours = {1, 0, 0, 0, 0, 2, 8, 10, 8, 5, 4, 4,
                                              6, 5, 4, 4, 4, 6, 8, 8,  7, 6, 5, 3};

constexpr double showers_a_person = 0.69;
constexpr double shower_min = 7.8;
constexpr double flushes_a_person = 5;
constexpr double night_flushes_a_person = 0.3;
constexpr double taps_a_person = 14;
constexpr double washes_a_person = 0.3;
constexpr double dishwashes_a_person = 0.25;
constexpr double cistern_l_per_min = 6;
constexpr double tap_l_per_min = 5;
constexpr double inlet_valve_l_per_min = 8;

double flow_l_per_min(Shower shower) {
    switch (shower) {
        case Shower::electric:
            return 5;
        case Shower::mixer:
            return 8;
        case Shower::power:
            return 13;
    }
    return 0;
}

Duration waking_moment(Chance& chance) {
    const int sum = std::accumulate(waking_hours.begin(), waking_hours.end(), 0);
    auto left = static_cast<int>(chance.below(static_cast<std::uint64_t>(sum)));
    int hour = 0;
    for (const int weight : waking_hours) {
        if (left < weight) break;
        left -= weight;
        ++hour;
    }
    return hours{hour} + chance.moment(hours{1});
}

// A machine fills several times while its programme runs.
void run_machine(Use use, Instant from, double volume_l, int fills, std::vector<Draw>& draws) {
    for (int fill = 0; fill < fills; ++fill) {
        draws.push_back(draw_of(use, from + minutes{18 * fill}, volume_l / fills, inlet_valve_l_per_min));
    }
}

}  // namespace

std::vector<Draw> Household::day(std::uint64_t seed, int day_number, Instant midnight) const {
    Chance chance(Chance::seed_of(seed, static_cast<std::uint64_t>(day_number)));
    std::vector<Draw> draws;
    const auto times = [&](double a_person) { return chance.times(a_person * residents); };
    const auto some_time = [&] { return midnight + waking_moment(chance); };

    for (int left = times(flushes_a_person); left > 0; --left) {
        draws.push_back(draw_of(Use::flush, some_time(), flush_l, cistern_l_per_min));
    }
    for (int left = times(night_flushes_a_person); left > 0; --left) {
        const Instant at = midnight + hours{1} + chance.moment(hours{4});
        draws.push_back(draw_of(Use::flush, at, flush_l, cistern_l_per_min));
    }
    for (int left = times(showers_a_person); left > 0; --left) {
        const double l_per_min = flow_l_per_min(shower);
        const double volume_l = l_per_min * shower_min * chance.between(0.5, 1.5);
        draws.push_back(draw_of(Use::shower, some_time(), volume_l, l_per_min));
    }
    for (int left = times(taps_a_person); left > 0; --left) {
        const double volume_l = chance.between(0.3, 3.5);
        draws.push_back(draw_of(Use::tap, some_time(), volume_l, tap_l_per_min * chance.between(0.5, 1.2)));
    }
    if (washer && chance.happens(washes_a_person * residents)) {
        run_machine(Use::washer, midnight + hours{9} + chance.moment(hours{10}), washer_l, 4, draws);
    }
    if (dishwasher && chance.happens(dishwashes_a_person * residents)) {
        run_machine(Use::dishwasher, midnight + hours{19} + chance.moment(hours{3}), dishwasher_l, 3, draws);
    }
    return draws;
}

std::vector<Draw> Garden::day(std::uint64_t seed, int day_number, Instant midnight) const {
    Chance chance(Chance::seed_of(seed, static_cast<std::uint64_t>(day_number)));
    std::vector<Draw> draws;
    if (day_number % irrigation_every_days == 0) {
        const double volume_l = irrigation_l_per_min * 20;
        draws.push_back(draw_of(Use::irrigation, midnight + hours{6}, volume_l, irrigation_l_per_min));
    }
    for (int left = chance.times(1.5); left > 0; --left) {
        const Instant at = midnight + hours{8} + chance.moment(hours{11});
        draws.push_back(draw_of(Use::tap, at, chance.between(5, 30), chance.between(8, 14)));
    }
    return draws;
}

}  // namespace tickledger::simulation
