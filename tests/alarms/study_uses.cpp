#include "alarms/study_uses.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <exception>

#include "alarms/real.hpp"
#include "alarms/trial.hpp"

namespace tickledger::alarms {

namespace {

constexpr std::uint64_t first_seed = 32'000'000;
constexpr double months_a_year = 365.25 / month_days;
constexpr double flat_months = 3;

std::string of_flat(const std::filesystem::path& file, const MeterSettings& meter) {
    if (!std::filesystem::exists(file)) return "no data | no data";
    Outcome outcome;
    watch_uses(entries_of_flat(file, meter), meter, outcome);
    return fmt::format("{:.1f} | {:.1f}",
                       static_cast<double>(outcome.long_draw_raised.size()) * months_a_year / flat_months,
                       static_cast<double>(outcome.high_flow_raised.size()) * months_a_year / flat_months);
}

/// The alarms that high-flow and long-draw would raise in a house-year if they were on at every cadence.
std::string by_cadence(int months) {
    std::string table =
        "| cadence, min | long-draw is | simulated: long-draw | high-flow | a real flat: long-draw | high-flow |\n"
        "|---|---|---|---|---|---|\n";
    for (const int cadence_min : {1, 3, 5, 10, 15, 30, 60}) {
        std::size_t long_draws = 0;
        std::size_t high_flows = 0;
        MeterSettings meter;
        meter.cadence = std::chrono::minutes{cadence_min};
        for (int i = 0; i < months; ++i) {
            const Outcome outcome = watch(
                month_of({.seed = first_seed + static_cast<std::uint64_t>(i), .cadence = meter.cadence}));
            long_draws += outcome.long_draw_raised.size();
            high_flows += outcome.high_flow_raised.size();
        }
        const auto a_year = [&](std::size_t count) {
            return static_cast<double>(count) * months_a_year / months;
        };
        const std::string row =
            fmt::format("| {} | {} | {:.2f} | {:.2f} | {} |\n", cadence_min,
                        meter.watches(AlarmKind::long_draw) ? "on" : "off", a_year(long_draws),
                        a_year(high_flows), of_flat(real_directory() / "flat-spring.csv.gz", meter));
        std::fputs(row.c_str(), stderr);
        table += row;
    }
    return table;
}

std::string of_households(const std::filesystem::path& file, const MeterSettings& settings, bool tells_each) {
    const auto households = replay_registers(file, settings);
    double years = 0;
    std::size_t counts[alarm_kind_count] = {};
    std::string told;
    for (const Household& household : households) {
        years += household.years;
        for (const Alarm& alarm : household.alarms) {
            ++counts[static_cast<std::size_t>(alarm.kind)];
            if (alarm.kind == AlarmKind::node_silent || !tells_each) continue;
            told +=
                fmt::format("- household {}, {}: {}\n", household.number, name_of(alarm.kind), alarm.text);
        }
    }
    std::string table = "| kind | watched for | raised | a household-year |\n|---|---|---|---|\n";
    for (int number = 0; number < alarm_kind_count; ++number) {
        const auto kind = static_cast<AlarmKind>(number);
        const std::size_t count = counts[number];
        table +=
            fmt::format("| {} | {} | {} | {:.2f} |\n", name_of(kind), settings.watches(kind) ? "yes" : "no",
                        count, static_cast<double>(count) / years);
    }
    return fmt::format("{:.1f} household-years:\n\n", years) + table + (told.empty() ? "" : "\n" + told);
}

std::string on_registers() {
    const auto file = real_directory() / "registers.csv.gz";
    if (!std::filesystem::exists(file)) return "The real households' registers were not at hand.\n";
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    meter.cadence = std::chrono::hours{1};
    meter.counter_bits = 0;
    meter.checkpoint_ticks = 1;
    meter.alarms.silent_after = usual_silent_after(meter.cadence);
    std::string tables =
        "Twenty real households, hourly registers, a year, as an hourly meter is set by default; " +
        of_households(file, meter, true);
    meter.alarms.on = {AlarmKind::long_draw, AlarmKind::slow_leak};
    return tables + "\nThe same with long-draw and slow-leak switched on; " +
           of_households(file, meter, false);
}

}  // namespace

std::string uses_tables(int months) {
    std::string tables = fmt::format(
        "high-flow and long-draw a house-year, 1 L a tick, if they were on at every cadence; {:.1f} simulated "
        "house-years beside a flat of one person (three months):\n\n",
        months / months_a_year);
    tables += by_cadence(months) + "\n";
    try {
        tables += on_registers();
    } catch (const std::exception& error) {
        tables += fmt::format("The real households could not be replayed: {}\n", error.what());
    }
    return tables;
}

}  // namespace tickledger::alarms
