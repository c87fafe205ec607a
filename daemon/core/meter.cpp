#include "tickledger/meter.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "tickledger/hours.hpp"
#include "tickledger/running_water.hpp"
#include "tickledger/slow_leak.hpp"

namespace tickledger {

namespace {

constexpr std::array<AlarmKind, alarm_kind_count> alarm_kinds{
    AlarmKind::night_flow,    AlarmKind::slow_leak, AlarmKind::high_flow,
    AlarmKind::long_draw,     AlarmKind::away_use,  AlarmKind::node_silent,
    AlarmKind::counter_fault, AlarmKind::backflow,  AlarmKind::stagnation,
};

}  // namespace

std::string_view name_of(AlarmKind kind) {
    switch (kind) {
        case AlarmKind::night_flow:
            return "night-flow";
        case AlarmKind::slow_leak:
            return "slow-leak";
        case AlarmKind::high_flow:
            return "high-flow";
        case AlarmKind::long_draw:
            return "long-draw";
        case AlarmKind::away_use:
            return "away-use";
        case AlarmKind::node_silent:
            return "node-silent";
        case AlarmKind::counter_fault:
            return "counter-fault";
        case AlarmKind::backflow:
            return "backflow";
        case AlarmKind::stagnation:
            return "stagnation";
    }
    return "unknown";
}

std::optional<AlarmKind> alarm_kind_named(std::string_view name) {
    const auto* const found = std::find_if(alarm_kinds.begin(), alarm_kinds.end(),
                                           [&](AlarmKind kind) { return name_of(kind) == name; });
    if (found == alarm_kinds.end()) return std::nullopt;
    return *found;
}

std::optional<std::uint64_t> whole_pulse_values(Ratio volume_l, Ratio pulse_value_l) {
    __extension__ using Wide = unsigned __int128;
    const Wide numerator = Wide(static_cast<std::uint64_t>(volume_l.numerator)) *
                           static_cast<std::uint64_t>(pulse_value_l.denominator);
    const Wide denominator = Wide(static_cast<std::uint64_t>(volume_l.denominator)) *
                             static_cast<std::uint64_t>(pulse_value_l.numerator);
    if (numerator == 0 || numerator % denominator != 0) return std::nullopt;
    const Wide values = numerator / denominator;
    if (values >> 63 != 0) return std::nullopt;
    return static_cast<std::uint64_t>(values);
}

std::optional<std::uint64_t> count_range(const MeterSettings& meter) {
    if (meter.message == MessageForm::volume)
        return whole_pulse_values(meter.rolls_over_at_l, meter.pulse_value_l);
    if (meter.counter_bits == 0) return std::nullopt;
    return std::uint64_t{1} << static_cast<unsigned>(meter.counter_bits);
}

bool AlarmSettings::is_on(AlarmKind kind) const {
    return std::find(off.begin(), off.end(), kind) == off.end();
}

bool MeterSettings::watches(AlarmKind kind) const {
    if (!alarms.is_on(kind)) return false;
    if (!why_off(*this, kind)) return true;
    return std::find(alarms.on.begin(), alarms.on.end(), kind) != alarms.on.end();
}

std::optional<WhyOff> why_off(const MeterSettings& meter, AlarmKind kind) {
    switch (kind) {
        case AlarmKind::slow_leak:
            if (meter.pulse_value_l.value() > SlowLeak::largest_tick_l) return WhyOff::large_ticks;
            if (meter.cadence > SlowLeak::alone) return WhyOff::no_lone_ticks;
            return std::nullopt;
        case AlarmKind::long_draw:
            if (meter.cadence > LongDraw::longest_cadence) return WhyOff::no_single_use;
            return std::nullopt;
        case AlarmKind::stagnation:
            return WhyOff::asked_for;
        default:
            return std::nullopt;
    }
}

std::string words_of(WhyOff why) {
    switch (why) {
        case WhyOff::large_ticks:
            return fmt::format(
                "with ticks of more than {:g} L a single use looks like a tick from a leak, so this alarm "
                "would often be false",
                SlowLeak::largest_tick_l);
        case WhyOff::no_lone_ticks:
            return fmt::format("messages further apart than {} cannot show that a tick came alone",
                               format_duration(SlowLeak::alone));
        case WhyOff::no_single_use:
            return fmt::format("messages further apart than {} cannot tell one use of water from several",
                               format_duration(LongDraw::longest_cadence));
        case WhyOff::asked_for:
            return "a house may be empty for days, so this alarm is only for those who must flush their "
                   "pipes";
    }
    return "unknown";
}

std::optional<double> possible_flow_l_per_h(double litres, Duration in, const MeterSettings& meter) {
    if (in <= Duration{0}) return std::nullopt;
    constexpr double q4_of_q3 = 1.25;  // ISO 4064-1 / OIML R 49-1.
    const double doubt_l_per_h = 2 * meter.pulse_value_l.value() / hours_of(std::max(in, meter.cadence));
    const double flow_l_per_h = litres / hours_of(in);
    if (std::abs(flow_l_per_h) > q4_of_q3 * meter.q3_l_per_h.value() + doubt_l_per_h) return std::nullopt;
    return flow_l_per_h;
}

Duration usual_silent_after(Duration cadence) {
    constexpr int cadences = 5;
    return std::max<Duration>(std::chrono::minutes{15}, cadence * cadences);
}

}  // namespace tickledger
