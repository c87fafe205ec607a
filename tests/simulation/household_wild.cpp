#include "simulation/household_wild.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

using std::chrono::hours;
using std::chrono::minutes;

constexpr std::uint64_t wild_house_stream = 4'000'000;

Duration of_s(double s) {
    return Duration{std::llround(s * 1e6)};
}

/// A random factor about 1, with this spread of its logarithm.
double factor(Chance& chance, double spread) {
    const double u = std::max(chance.share(), 1e-12);
    const double v = chance.share();
    return std::exp(spread * std::sqrt(-2 * std::log(u)) * std::cos(2 * std::numbers::pi * v));
}

// How likely water is used in each hour of the day. Invented: a peak in the morning and one in the evening.
constexpr std::array<double, 24> busy = {1, .4, .3, .3, .4, 2, 7, 10, 9, 6, 5, 5,
                                         7, 6,  4,  4,  5,  6, 8, 9,  8, 7, 5, 3};

class Days {
public:
    Days(const WildHouse& house, Chance& chance) : house_(house), chance_(chance) {}

    std::vector<Event> make(Instant midnight) {
        midnight_ = midnight;
        for (int left = times(5); left > 0; --left)
            toilet(some_time());
        for (int left = times(0.69); left > 0; --left)
            shower(chance_.happens(0.6) ? shower_time() : some_time());
        for (int left = times(12); left > 0; --left)
            tap(some_time(), 0.8, 1.0);
        for (int left = times(0.7); left > 0; --left)
            dishes(some_time());
        for (int left = house_.bath ? times(0.06) : 0; left > 0; --left)
            steady(Use::bath, some_time(), 90 * factor(chance_, 0.3), 11 * factor(chance_, 0.2));
        for (int left = house_.washer_fills_l.empty() ? 0 : times(0.3); left > 0; --left)
            machine(Use::washer, midnight_ + hours{8} + chance_.moment(hours{12}), house_.washer_fills_l,
                    house_.washer_fills_at_min, house_.washer_l_per_min);
        if (!house_.dishwasher_fills_l.empty() && chance_.happens(std::min(0.9, 0.25 * house_.residents)))
            machine(Use::dishwasher, midnight_ + hours{13} + chance_.moment(hours{9}),
                    house_.dishwasher_fills_l, house_.dishwasher_fills_at_min, house_.dishwasher_l_per_min);
        for (int left = house_.garden ? chance_.times(house_.garden_a_day) : 0; left > 0; --left)
            hose();
        return std::move(events_);
    }

private:
    int times(double a_person) { return chance_.times(a_person * house_.residents); }

    Instant some_time() {
        double left = chance_.share() * std::accumulate(busy.begin(), busy.end(), 0.0);
        std::size_t hour = 0;
        while (hour + 1 < busy.size() && left >= busy.at(hour))
            left -= busy.at(hour++);
        return midnight_ + hours{hour} + chance_.moment(hours{1});
    }

    /// Each person showers at preferred hours.
    Instant shower_time() {
        const double hour = house_.shower_hours.at(chance_.below(house_.shower_hours.size()));
        return midnight_ + of_s(3600 * (hour + chance_.between(-0.7, 0.7)));
    }

    /// A hose runs at the flow its tap allows, until the volume has run; some are closed for a while.
    void hose() {
        Event event{Use::hose, {}};
        Instant at =
            midnight_ + of_s(3600 * (house_.garden_hour + house_.garden_hours * chance_.between(-1, 1)));
        const double volume_l =
            std::clamp(house_.garden_l * factor(chance_, house_.garden_litres_differ), 2.0, 2000.0);
        const double l_per_min = house_.garden_l_per_min * factor(chance_, house_.garden_flows_differ);
        const int parts = chance_.happens(0.2) ? 2 + static_cast<int>(chance_.below(2)) : 1;
        for (int part = 0; part < parts; ++part) {
            if (part > 0) at += of_s(5 + 60 * chance_.share());
            wander(event, at, volume_l / parts, l_per_min, house_.garden_wavers, 20);
        }
        events_.push_back(std::move(event));
    }

    /// Water whose flow wanders: every few seconds it changes a little, and it tends back to its mean.
    void wander(Event& event, Instant& at, double volume_l, double l_per_min, double spread, double step_s) {
        double off = 0;
        while (volume_l > 0) {
            off = 0.8 * off + std::log(factor(chance_, spread * 0.6));
            const double flow = l_per_min * std::exp(off);
            const double s = std::min(step_s * (0.5 + chance_.share()), volume_l / flow * 60);
            event.parts.push_back({{at, at + of_s(s)}, flow_of_l_per_min(flow), event.use});
            at += of_s(s);
            volume_l -= std::max(flow * s / 60, 1e-3);
        }
    }

    void steady(Use use, Instant at, double volume_l, double l_per_min) {
        Event event{use, {}};
        wander(event, at, volume_l, l_per_min, 0.03, 20);
        events_.push_back(std::move(event));
    }

    void shower(Instant at) {
        Event event{Use::shower, {}};
        const double volume_l = std::clamp(house_.shower_l * factor(chance_, 0.42), 4.0, 250.0);
        const double l_per_min = house_.showers_l_per_min.at(chance_.below(house_.showers_l_per_min.size())) *
                                 factor(chance_, 0.16);
        const int parts = chance_.happens(house_.soap_pauses) ? 2 + static_cast<int>(chance_.below(3)) : 1;
        for (int part = 0; part < parts; ++part) {
            if (part > 0) at += of_s(10 + 50 * chance_.share());
            wander(event, at, volume_l / parts * chance_.between(0.7, 1.3),
                   l_per_min * factor(chance_, house_.shower_wavers), house_.shower_wavers, 12);
        }
        events_.push_back(std::move(event));
    }

    void toilet(Instant at) {
        // Most of a cistern fills at one flow; the float valve throttles the rest.
        Event event{Use::flush, {}};
        const Cistern& cistern = house_.cisterns.at(chance_.below(house_.cisterns.size()));
        double volume_l = cistern.litres * factor(chance_, 0.03);
        // Somebody stops the flush or flushes again before the cistern is full, or the valve runs on.
        if (chance_.happens(0.1))
            volume_l *= chance_.happens(0.7) ? chance_.between(0.3, 0.8) : chance_.between(1.2, 1.8);
        const double l_per_min = cistern.l_per_min * factor(chance_, 0.03);
        for (const auto& [share, of_flow] :
             {std::pair{0.8, 1.0}, std::pair{0.12, 0.7}, std::pair{0.05, 0.4}, std::pair{0.03, 0.15}}) {
            const Draw part = draw_of(Use::flush, at, volume_l * share, l_per_min * of_flow);
            event.parts.push_back(part);
            at = part.span.to;
        }
        const Instant began = event.parts.front().span.from;
        events_.push_back(std::move(event));
        if (chance_.happens(0.8)) tap(began + of_s(5 + 50 * chance_.share()), 0.7, 0.6);
    }

    void tap(Instant at, double volume_l, double spread) {
        Event event{Use::tap, {}};
        wander(event, at, std::clamp(volume_l * factor(chance_, spread), 0.05, 25.0),
               house_.tap_l_per_min * factor(chance_, 0.4), 0.12, 4);
        events_.push_back(std::move(event));
    }

    /// Washing up or cooking: the tap is opened and closed for minutes.
    void dishes(Instant at) {
        const double l_per_min = house_.tap_l_per_min * 1.2 * factor(chance_, 0.25);
        for (int left = 2 + static_cast<int>(chance_.below(8)); left > 0; --left) {
            Event event{Use::tap, {}};
            wander(event, at, std::clamp(1.0 * factor(chance_, 0.9), 0.05, 12.0), l_per_min, 0.12, 4);
            events_.push_back(std::move(event));
            at += of_s(5 + 60 * chance_.share());
        }
    }

    /// Each fill comes in short pulses: the laundry soaks up the water, and the machine tops it up.
    void machine(Use use, Instant from, const std::vector<double>& fills_l,
                 const std::vector<double>& fills_at_min, double l_per_min) {
        Event event{use, {}};
        Instant at = from;
        const double load = use == Use::washer ? factor(chance_, house_.washer_differs) : 1;
        const int most_pulses = use == Use::washer ? house_.washer_pulses : 3;
        for (std::size_t i = 0; i < fills_l.size(); ++i) {
            at = std::max<Instant>(at, from + of_s(60 * fills_at_min[i] * factor(chance_, 0.04)));
            const int pulses = 1 + static_cast<int>(chance_.below(static_cast<std::uint64_t>(most_pulses)));
            for (int pulse = 0; pulse < pulses; ++pulse) {
                const Draw part = draw_of(use, at, load * fills_l[i] / pulses * factor(chance_, 0.05),
                                          l_per_min * factor(chance_, 0.02));
                event.parts.push_back(part);
                at = part.span.to + of_s(5 + 20 * chance_.share());
            }
        }
        events_.push_back(std::move(event));
    }

    const WildHouse& house_;
    Chance& chance_;
    Instant midnight_{};
    std::vector<Event> events_;
};

}  // namespace

double Event::volume_l() const {
    return std::accumulate(parts.begin(), parts.end(), 0.0,
                           [](double sum, const Draw& part) { return sum + part.volume_l(); });
}

double Event::seconds() const {
    return std::accumulate(parts.begin(), parts.end(), 0.0, [](double sum, const Draw& part) {
        return sum + std::chrono::duration<double>(part.span.length()).count();
    });
}

namespace {

Cistern cistern_of(Chance& chance) {
    const std::array<double, 8> sizes_l = {4, 5, 6, 7.5, 8.4, 9, 12, 13.5};
    const double litres = sizes_l.at(chance.below(sizes_l.size())) * factor(chance, 0.05);
    // A valve may be half closed to reduce noise.
    if (chance.happens(0.15)) return {litres, chance.between(1.5, 4)};
    return {litres, std::clamp(7 * factor(chance, 0.45), 1.8, 20.0)};
}

}  // namespace

WildHouse wild_house_of(std::uint64_t seed) {
    Chance chance(Chance::seed_of(seed, wild_house_stream));
    WildHouse house;
    house.residents = 1 + static_cast<int>(chance.below(5));
    const auto head = [&chance] { return std::clamp(7.2 * factor(chance, 0.28), 2.5, 12.0); };
    house.showers_l_per_min.push_back(head());
    house.shower_l = 28 * factor(chance, 0.55) * std::pow(house.showers_l_per_min[0] / 7.2, 0.5);
    if (house.residents >= 3 && chance.happens(0.4)) house.showers_l_per_min.push_back(head());
    // Some shower heads keep the flow steady. Some people never close the tap for soap.
    house.shower_wavers = chance.happens(0.3) ? 0.01 : chance.between(0.03, 0.10);
    house.soap_pauses = chance.happens(0.25) ? 0 : chance.between(0.1, 0.7);
    house.cisterns.push_back(cistern_of(chance));
    if (chance.happens(0.35)) {  // A second button for a smaller flush.
        const Cistern& whole = house.cisterns[0];
        house.cisterns.push_back({whole.litres * chance.between(0.5, 0.8), whole.l_per_min});
    }
    if (chance.happens(house.residents >= 3 ? 0.5 : 0.2)) house.cisterns.push_back(cistern_of(chance));
    house.tap_l_per_min = std::clamp(3.2 * factor(chance, 0.4), 1.2, 9.0);
    if (chance.happens(0.3)) {
        // A top loader washes and rinses in a full tub, which most fill in one go. Some spray the soap out
        // first, and some only spray.
        house.washer_l_per_min = 10.5 * factor(chance, 0.25);
        const double tub_l = 45 * factor(chance, 0.25);
        house.washer_fills_l = {tub_l};
        house.washer_fills_at_min = {0};
        if (chance.happens(0.6)) {
            house.washer_fills_l.push_back(tub_l * chance.between(0.1, 0.3));
            house.washer_fills_at_min.push_back(chance.between(15, 20));
        }
        if (chance.happens(0.7)) {
            house.washer_fills_l.push_back(tub_l * factor(chance, 0.1));
            house.washer_fills_at_min.push_back(chance.between(21, 30));
        }
        house.washer_pulses = chance.happens(0.7) ? 1 : 3;
        if (chance.happens(0.3)) house.washer_differs = 0.25;  // The load size is set by hand.
    } else if (chance.happens(0.9)) {
        house.washer_l_per_min = 8.5 * factor(chance, 0.25);
        const int fills = 3 + static_cast<int>(chance.below(3));
        double at_min = 0;
        for (int i = 0; i < fills; ++i) {
            house.washer_fills_l.push_back((i == 0 ? 16 : 10) * factor(chance, 0.35));
            house.washer_fills_at_min.push_back(at_min);
            at_min += i == 0 ? chance.between(20, 45) : chance.between(6, 16);
        }
    }
    if (chance.happens(0.6)) {
        house.dishwasher_l_per_min = 3 * factor(chance, 0.2);
        double at_min = 0;
        for (int left = 3 + static_cast<int>(chance.below(3)); left > 0; --left) {
            house.dishwasher_fills_l.push_back(3.2 * factor(chance, 0.2));
            house.dishwasher_fills_at_min.push_back(at_min);
            at_min += chance.between(8, 30);
        }
    }
    for (int i = 0; i < house.residents; ++i)
        house.shower_hours.push_back(chance.happens(0.6) ? chance.between(6, 9.5) : chance.between(18, 23));
    house.bath = chance.happens(0.3);
    house.garden = chance.happens(0.4);
    house.garden_a_day = 0.9 * factor(chance, 0.8);
    house.garden_l = 50 * factor(chance, 0.5);
    house.garden_litres_differ = chance.between(0.5, 1.2);
    house.garden_l_per_min = 12 * factor(chance, 0.35);
    house.garden_wavers = chance.happens(0.5) ? 0.01 : 0.06;
    house.garden_flows_differ = chance.happens(0.5) ? 0.08 : 0.35;
    if (chance.happens(0.5)) {
        house.garden_hour = chance.happens(0.4) ? chance.between(6.5, 9) : chance.between(18, 21);
        house.garden_hours = 1.5;
    }
    return house;
}

std::vector<Event> wild_water_of(const WildHouse& house, std::uint64_t seed, Instant midnight, int days) {
    std::vector<Event> water;
    for (int day = 0; day < days; ++day) {
        Chance chance(Chance::seed_of(seed, static_cast<std::uint64_t>(day)));
        auto made = Days(house, chance).make(midnight + hours{24} * day);
        water.insert(water.end(), std::make_move_iterator(made.begin()), std::make_move_iterator(made.end()));
    }
    std::sort(water.begin(), water.end(),
              [](const Event& a, const Event& b) { return a.span().from < b.span().from; });
    return water;
}

}  // namespace tickledger::simulation
