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

bool AlarmSettings::is_on(AlarmKind kind) const {
    return std::find(off.begin(), off.end(), kind) == off.end();
}

}  // namespace tickledger
