// How fast readings are booked without any I/O: the counter's arithmetic alone, and with the series.
#include <benchmark/benchmark.h>

#include <vector>

#include "tickledger/counter.hpp"
#include "tickledger/series.hpp"

namespace {

using namespace tickledger;

constexpr Instant begin = std::chrono::sys_days{std::chrono::year{2026} / 3 / 1};
constexpr Duration cadence = std::chrono::minutes{3};
constexpr std::size_t readings_a_round = 4096;

MeterSettings meter_of(MessageForm form) {
    MeterSettings meter;
    meter.message = form;
    meter.checkpoint_ticks = 1000;
    return meter;
}

/// Readings as a node sends them: no water two times out of three, and a power cut in every 500.
std::vector<Reading> readings_of(MessageForm form) {
    std::vector<Reading> readings(readings_a_round);
    std::uint64_t count = 5000;
    std::uint64_t boot = 1;
    std::uint64_t seq = 0;
    for (std::size_t i = 0; i < readings.size(); ++i) {
        const std::uint64_t gain = i % 3 == 0 ? i % 17 : 0;
        if (i % 500 == 499) {
            ++boot;
            seq = 0;
            count = count / 1000 * 1000;
        }
        count += gain;
        readings[i] = {.count = form == MessageForm::pulses ? gain : count, .boot = boot, .seq = seq++};
    }
    return readings;
}

void book_readings(benchmark::State& state, MessageForm form) {
    const CounterRules rules(meter_of(form));
    const std::vector<Reading> readings = readings_of(form);
    for (auto _ : state) {
        CounterState memory;
        Instant at = begin;
        for (const Reading& reading : readings) {
            at += cadence;
            benchmark::DoNotOptimize(book(memory, reading, {.arrived_at = at}, rules));
        }
    }
    state.SetItemsProcessed(static_cast<std::int64_t>(state.iterations() * readings.size()));
}

void book_counts(benchmark::State& state) {
    book_readings(state, MessageForm::counter);
}
void book_pulses(benchmark::State& state) {
    book_readings(state, MessageForm::pulses);
}

void book_counts_into_rows(benchmark::State& state) {
    const CounterRules rules(meter_of(MessageForm::counter));
    const std::vector<Reading> readings = readings_of(MessageForm::counter);
    RowFinder rows(*CivilZone::find("Europe/Lisbon"), std::chrono::minutes{15});
    std::vector<Share> intervals;
    std::vector<Share> coarser;
    for (auto _ : state) {
        CounterState memory;
        Instant at = begin;
        for (const Reading& reading : readings) {
            at += cadence;
            const Booking booking = book(memory, reading, {.arrived_at = at}, rules);
            for (const Entry& entry : booking.entries()) {
                apportion(entry, rows, intervals);
                for (const Step step : {Step::hour, Step::day, Step::month, Step::year}) {
                    roll_up(entry, intervals, step, rows, coarser);
                    benchmark::DoNotOptimize(coarser.data());
                }
            }
        }
    }
    state.SetItemsProcessed(static_cast<std::int64_t>(state.iterations() * readings.size()));
}

}  // namespace

BENCHMARK(book_counts);
BENCHMARK(book_pulses);
BENCHMARK(book_counts_into_rows);
BENCHMARK_MAIN();
