#include "simulation/readings.hpp"

#include "simulation/chance.hpp"

namespace tickledger::simulation {

std::vector<NodeReading> readings_of(const std::vector<Instant>& ticks, Span span,
                                     const SpeakingHabits& habits, std::uint64_t seed) {
    Chance chance(seed);
    const double turns_a_day = std::chrono::hours{24} / std::chrono::duration<double>(habits.cadence);
    std::vector<NodeReading> readings;
    readings.reserve(static_cast<std::size_t>(span.length() / habits.cadence) + 1);
    NodeReading reading{span.from, 0, 1, 0};
    Instant out_until = span.from;
    auto next_tick = ticks.begin();
    for (Instant turn = span.from; turn <= span.to; turn += habits.cadence) {
        if (chance.happens(habits.restarts_a_day / turns_a_day)) {
            ++reading.boot;
            reading.seq = 0;
        }
        if (chance.happens(habits.outages_a_day / turns_a_day))
            out_until = turn + std::chrono::minutes{30} + chance.moment(std::chrono::minutes{450});
        reading.at = turn;
        if (habits.jitter > Duration{0}) reading.at += chance.moment(habits.jitter);
        for (; next_tick != ticks.end() && *next_tick <= reading.at; ++next_tick)
            ++reading.count;
        const bool comes = turn >= out_until && !chance.happens(habits.lost_share);
        if (comes) readings.push_back(reading);
        ++reading.seq;
    }
    return readings;
}

}  // namespace tickledger::simulation
