// An alarm and its states, after ISA-18.2 / IEC 62682.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "tickledger/meter.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

enum class AlarmState : std::uint8_t {
    normal,
    unacknowledged,
    acknowledged,
    returned_unacknowledged,
    shelved,
};

[[nodiscard]] std::string_view name_of(AlarmState state);

/// One alarm of one meter. While its condition holds, further evidence does not raise a second alarm.
struct Alarm {
    std::int64_t id = 0;
    AlarmKind kind = AlarmKind::night_flow;
    AlarmState state = AlarmState::normal;
    Instant raised_at{};
    std::optional<Instant> cleared_at;
    /// When a person acknowledged it. Empty if nobody has since it was raised.
    std::optional<Instant> acknowledged_at;
    /// When its shelving ends. Set only while it is shelved.
    std::optional<Instant> shelved_until;
    /// The evidence: spans, flow and litres a day, as a JSON object. Member names end in their units.
    std::string evidence = "{}";
    /// What it means and what to do, in one or two sentences.
    std::string text;

    /// The condition holds now. The state of a shelved alarm does not show this; cleared_at does.
    [[nodiscard]] bool is_active() const { return !cleared_at; }
};

// The transitions. Each returns whether it changed anything; a repeated call changes nothing.

/// Any state but `shelved` → unacknowledged. A shelved alarm is raised too, but keeps its state.
bool raise(Alarm& alarm, Instant at);
/// unacknowledged → returned-unacknowledged; acknowledged → normal. A shelved alarm keeps its state.
bool clear(Alarm& alarm, Instant at);
/// unacknowledged → acknowledged; returned-unacknowledged → normal.
bool acknowledge(Alarm& alarm, Instant at);
/// Takes an acknowledgement back: acknowledged → unacknowledged. A normal alarm that had been acknowledged →
/// returned-unacknowledged.
bool unacknowledge(Alarm& alarm);
/// Any state → shelved. If it is shelved already, the end moves.
bool shelve(Alarm& alarm, Instant until);
/// shelved → unacknowledged if the condition holds, whatever the state was before; otherwise normal.
bool unshelve(Alarm& alarm);

}  // namespace tickledger
