// An alarm and its life, after ISA-18.2 / IEC 62682.
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

/// One alarm of one meter. While its condition holds, further evidence does not make a second one.
struct Alarm {
    std::int64_t id = 0;
    AlarmKind kind = AlarmKind::night_flow;
    AlarmState state = AlarmState::normal;
    Instant raised_at{};
    std::optional<Instant> cleared_at;
    /// When a person said that he has seen it; nothing where nobody has since it was raised.
    std::optional<Instant> acknowledged_at;
    /// The end of its shelving, while it is shelved.
    std::optional<Instant> shelved_until;
    /// The spans, flow and litres a day behind it: a JSON object, units last in its names.
    std::string evidence = "{}";
    /// What it means and what to do, in a sentence or two.
    std::string text;

    /// The condition holds now. (A shelved alarm's may or may not; cleared_at tells.)
    [[nodiscard]] bool is_active() const { return !cleared_at; }
};

// The transitions. Each returns whether it changed anything; a repeated call changes nothing.

/// Any state but `shelved` → unacknowledged. A shelved one is raised in silence.
bool raise(Alarm& alarm, Instant at);
/// unacknowledged → returned-unacknowledged; acknowledged → normal; a shelved one keeps its state.
bool clear(Alarm& alarm, Instant at);
/// unacknowledged → acknowledged; returned-unacknowledged → normal.
bool acknowledge(Alarm& alarm, Instant at);
/// Takes that back: acknowledged → unacknowledged; normal, where somebody had said so →
/// returned-unacknowledged.
bool unacknowledge(Alarm& alarm);
/// Any state → shelved; where it is shelved already, the end moves.
bool shelve(Alarm& alarm, Instant until);
/// shelved → unacknowledged where the condition holds, whatever it was before; else normal.
bool unshelve(Alarm& alarm);

}  // namespace tickledger
