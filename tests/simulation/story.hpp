// What happens to a node over days: the accidents, in order of time, and the messages that come of them.
#pragma once

#include <vector>

#include "simulation/node.hpp"

namespace tickledger::simulation {

struct Preset {
    Instant at{};
    std::uint64_t count = 0;
};

struct ClockError {
    Span during;
    Duration error{};
};

/// The first message sent at or after `at` is delivered once more, `later` after it first arrived.
struct Redelivery {
    Instant at{};
    Duration later{};
};

/// The accidents of a node's life. Spans of one kind must not overlap.
struct Story {
    std::vector<Span> power_cuts;
    std::vector<Preset> presets;
    /// It counts, but sends nothing: its radio is off.
    std::vector<Span> silences;
    /// It sends, but nothing arrives.
    std::vector<Span> losses;
    /// Messages sent in these wait somewhere and arrive together at the end, in their order.
    std::vector<Span> delays;
    /// The message sent first in each arrives only at its end, after its successors.
    std::vector<Span> overtaken;
    std::vector<Redelivery> redeliveries;
    std::vector<ClockError> clock_errors;
};

/// Lets the water of (from, to] run through the node's meter and its story happen. The node speaks every
/// cadence, first one cadence after span.from. What happens at one instant: first the water, then the
/// accident, then the message. What lies outside the span is passed over, so that a story can be run piece by
/// piece. Returns the messages in order of their arrival.
[[nodiscard]] std::vector<Delivery> run(Node& node, const std::vector<Instant>& ticks, const Story& story,
                                        Span span);

}  // namespace tickledger::simulation
