#include "tickledger/meter.hpp"

#include <algorithm>
#include <array>

namespace tickledger {

namespace {

constexpr std::array<AlarmKind, alarm_kind_count> alarm_kinds{
    AlarmKind::night_flow, AlarmKind::slow_leak,   AlarmKind::high_flow,     AlarmKind::long_draw,
    AlarmKind::away_use,   AlarmKind::node_silent, AlarmKind::counter_fault,
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

}  // namespace tickledger
