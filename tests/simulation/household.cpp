#include "simulation/household.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

// How likely water is used in each hour of the day. Invented: a peak in the morning and one in the evening.
constexpr std::array<double, 24> waking_hours = {1, 0, 0, 0, 0, 2, 8, 10, 8, 5, 4, 4,
                                                 6, 5, 4, 4, 4, 6, 8, 8,  7, 6, 5, 3};

// Uses a person and day. Those without a source in the header are invented so that the sums are right.
constexpr double showers_a_person = 0.69;
constexpr double shower_min = 7.8;
constexpr double flushes_a_person = 5;
constexpr double taps_a_person = 14;
constexpr double baths_a_person = 0.06;
constexpr double washes_a_person = 0.3;
constexpr double dishwashes_a_person = 0.25;
constexpr double night_drinks_a_person = 0.1;
constexpr double cistern_l_per_min = 6;
constexpr double tap_l_per_min = 5;
constexpr double bath_l_per_min = 12;
constexpr double inlet_valve_l_per_min = 8;
constexpr double hose_l_per_min = 12;

// Streams of the seed that no day uses.
constexpr std::uint64_t holidays_stream = 1'000'000;
constexpr std::uint64_t tidy_house_stream = 2'000'000;
constexpr std::uint64_t garden_stream = 3'000'000;

Duration duration_of_h(double h) {
    return Duration{std::llround(h * 3600e6)};
}

/// Generates one day of a household.
class Day {
public:
    Day(const Household& household, Chance& chance, Instant midnight, bool working, int people)
        : household_(household), chance_(chance), midnight_(midnight), people_(people) {
        const double up_h = std::chrono::duration<double, std::ratio<3600>>(household.up).count();
        const double bed_h = std::chrono::duration<double, std::ratio<3600>>(household.to_bed).count();
        for (int hour = 0; hour < 24; ++hour) {
            const bool sleeps = hour + 0.5 < up_h && hour + 0.5 > bed_h;
            const bool also_sleeps = hour + 0.5 > bed_h + 24;
            const bool at_work = working && hour >= 9 && hour < 17;
            double& weight = weights_.at(static_cast<std::size_t>(hour));
            weight = waking_hours.at(static_cast<std::size_t>(hour));
            if (weight == 0) weight = 2;
            if (sleeps || also_sleeps || at_work) weight = 0;
        }
    }

    std::vector<Draw> make() {
        toilets();
        bathing();
        taps();
        machines();
        night();
        return std::move(draws_);
    }

private:
    void toilets() {
        for (int left = times(flushes_a_person); left > 0; --left)
            toilet_visit(some_time(), 0.8);
    }

    void toilet_visit(Instant at, double washes_hands) {
        draws_.push_back(draw_of(Use::flush, at, household_.cistern_l, cistern_l_per_min));
        if (!chance_.happens(washes_hands)) return;
        const Instant later = at + seconds{10} + chance_.moment(seconds{30});
        draws_.push_back(draw_of(Use::tap, later, chance_.between(0.3, 1.2), chance_.between(3, 5)));
    }

    void bathing() {
        const double l_per_min = flow_l_per_min(household_.shower);
        for (int left = times(showers_a_person); left > 0; --left) {
            const double volume_l = l_per_min * shower_min * chance_.between(0.5, 1.5);
            draws_.push_back(draw_of(Use::shower, some_time(), volume_l, l_per_min));
        }
        if (!household_.bath) return;
        for (int left = times(baths_a_person); left > 0; --left) {
            draws_.push_back(
                draw_of(Use::bath, some_time(), bath_l * chance_.between(0.85, 1.15), bath_l_per_min));
        }
    }

    void taps() {
        for (int left = times(taps_a_person); left > 0; --left) {
            const double volume_l = chance_.happens(0.75) ? chance_.between(0.2, 2) : chance_.between(2, 6);
            draws_.push_back(
                draw_of(Use::tap, some_time(), volume_l, tap_l_per_min * chance_.between(0.5, 1.2)));
        }
    }

    // A machine fills several times while its programme runs.
    void machine(Use use, Instant from, double volume_l, int fills) {
        for (int fill = 0; fill < fills; ++fill) {
            const Instant at = from + minutes{18 * fill} + chance_.moment(minutes{2});
            draws_.push_back(draw_of(use, at, volume_l / fills, inlet_valve_l_per_min));
        }
    }

    void machines() {
        if (household_.washer) {
            for (int left = times(washes_a_person); left > 0; --left)
                machine(Use::washer, midnight_ + hours{9} + chance_.moment(hours{10}), washer_l, 4);
        }
        if (household_.dishwasher && chance_.happens(dishwashes_a_person * people_))
            machine(Use::dishwasher, midnight_ + hours{19} + chance_.moment(hours{3}), dishwasher_l, 3);
    }

    void night() {
        // The time before midnight belongs to the day before, which has its own evening.
        const Duration from = std::max(household_.to_bed, Duration{0});
        const auto some_night_time = [&] { return midnight_ + from + chance_.moment(household_.up - from); };
        for (int left = times(household_.night_flushes_a_person); left > 0; --left)
            toilet_visit(some_night_time(), 0.6);
        for (int left = times(night_drinks_a_person); left > 0; --left)
            draws_.push_back(draw_of(Use::tap, some_night_time(), chance_.between(0.15, 0.4), 4));
        if (!household_.infant) return;
        for (int left = chance_.times(2); left > 0; --left) {
            const Instant at = some_night_time();
            draws_.push_back(draw_of(Use::tap, at, chance_.between(0.2, 0.8), 4));
            draws_.push_back(draw_of(Use::tap, at + minutes{12}, chance_.between(0.2, 0.6), 4));
        }
    }

    int times(double a_person) { return chance_.times(a_person * people_); }

    Instant some_time() {
        const double sum = std::accumulate(weights_.begin(), weights_.end(), 0.0);
        double left = chance_.share() * sum;
        std::size_t hour = 0;
        while (hour + 1 < weights_.size() && left >= weights_[hour])
            left -= weights_[hour++];
        return midnight_ + hours{hour} + chance_.moment(hours{1});
    }

    const Household& household_;
    Chance& chance_;
    Instant midnight_;
    int people_;
    std::array<double, 24> weights_{};
    std::vector<Draw> draws_;
};

int residents_by_chance(Chance& chance) {
    constexpr std::array<int, 6> weights = {24, 28, 18, 16, 8, 6};
    auto left = static_cast<int>(chance.below(100));
    int residents = 1;
    for (const int weight : weights) {
        if (left < weight) break;
        left -= weight;
        ++residents;
    }
    return residents;
}

Garden garden_of(Chance& chance) {
    Garden garden;
    garden.irrigation_l_per_min = chance.between(6, 15);
    garden.irrigation_every_days = 1 + static_cast<int>(chance.below(3));
    garden.irrigation_at = hours{3 + chance.below(4)} + minutes{30};
    garden.car_washes_a_day = 0.05;
    return garden;
}

}  // namespace

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

bool Household::is_away(std::uint64_t seed, int day_number) const {
    // Blocks of five days: one random choice decides for the whole block.
    const auto block = static_cast<std::uint64_t>(day_number / 5);
    Chance chance(Chance::seed_of(seed, holidays_stream + block));
    return chance.happens(away_share);
}

std::vector<Draw> Household::day(std::uint64_t seed, int day_number, Instant midnight) const {
    if (is_away(seed, day_number)) return {};
    Chance chance(Chance::seed_of(seed, static_cast<std::uint64_t>(day_number)));
    const int guests = chance.happens(guest_share) ? 1 + static_cast<int>(chance.below(3)) : 0;
    const bool working = works_out && day_number % 7 < 5;
    return Day(*this, chance, midnight, working, residents + guests).make();
}

std::vector<Draw> Garden::day(std::uint64_t seed, int day_number, Instant midnight) const {
    Chance chance(Chance::seed_of(seed, static_cast<std::uint64_t>(day_number)));
    std::vector<Draw> draws;
    if (day_number % irrigation_every_days == 0) {
        const double volume_l = irrigation_l_per_min * 20;
        draws.push_back(draw_of(Use::irrigation, midnight + irrigation_at, volume_l, irrigation_l_per_min));
    }
    for (int left = chance.times(1.5); left > 0; --left) {
        const Instant at = midnight + hours{8} + chance.moment(hours{11});
        draws.push_back(draw_of(Use::hose, at, chance.between(5, 30), chance.between(8, 14)));
    }
    if (chance.happens(car_washes_a_day)) {
        const Instant at = midnight + hours{10} + chance.moment(hours{7});
        draws.push_back(draw_of(Use::hose, at, car_wash_l * chance.between(0.6, 1.2), hose_l_per_min));
    }
    return draws;
}

House house_of(std::uint64_t seed) {
    Chance chance(Chance::seed_of(seed, tidy_house_stream));
    House house;
    Household& household = house.household;
    household.residents = residents_by_chance(chance);
    household.shower = static_cast<Shower>(chance.below(3));
    household.washer = chance.happens(0.9);
    household.dishwasher = chance.happens(0.7);
    household.bath = chance.happens(0.4);
    const std::array<double, 3> cisterns_l = {flush_l, 6, old_flush_l};
    household.cistern_l = cisterns_l.at(static_cast<std::size_t>(chance.below(3)));
    household.works_out = chance.happens(household.residents <= 2 ? 0.5 : 0.25);
    household.to_bed = duration_of_h(chance.between(-2, 1));
    household.up = duration_of_h(chance.between(5.2, 8.5));
    household.night_flushes_a_person = chance.between(0.1, 0.9);
    // About 0.74 million births a year to 41 million households (Germany, 2022, from memory): two in a
    // hundred houses have an infant.
    household.infant = household.residents >= 3 && chance.happens(0.04);
    household.away_share = chance.happens(0.5) ? 0.08 : 0;
    household.guest_share = chance.between(0, 0.1);
    if (chance.happens(0.2)) house.garden = garden_of(chance);
    return house;
}

std::vector<Draw> water_of(const House& house, std::uint64_t seed, Instant midnight, int days) {
    std::vector<Draw> water;
    for (int day = 0; day < days; ++day) {
        const Instant begin = midnight + hours{24} * day;
        const auto at_home = house.household.day(seed, day, begin);
        water.insert(water.end(), at_home.begin(), at_home.end());
        if (!house.garden) continue;
        const auto outside = house.garden->day(seed ^ garden_stream, day, begin);
        water.insert(water.end(), outside.begin(), outside.end());
    }
    return water;
}

}  // namespace tickledger::simulation
