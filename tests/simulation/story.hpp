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

/// The network is away: the node counts, keeps its readings and sends them once the network is back, oldest
/// first.
struct Backlog {
    Span during;
    /// From one queued message to the next while they are sent.
    Duration gap = std::chrono::milliseconds{50};
    /// After so many of them it pauses; 0: it sends all in one go.
    std::size_t piece = 0;
    Duration pause{};
    /// What it reads meanwhile is sent at once, between the queued ones; else it queues up behind them.
    bool mixes_live = false;
    /// The queue lies in flash and outlives a power cut; else that takes what was not sent yet.
    bool survives_power_cut = false;
    /// So many of the queued messages, the last ones, are sent once more at the end.
    std::size_t repeated = 0;
};

struct Reversal {
    Instant at{};
    int ticks = 1;
    /// From one tick back to the next.
    Duration spacing = std::chrono::seconds{2};
};

/// How a node keeps its cadence: a sleeping board's clock is a poor one, and people guess at the setting.
struct KeptCadence {
    double times = 1;   ///< Its mean cadence, of the one that is set.
    double jitter = 0;  ///< Each turn is longer or shorter by up to this share of it.
    std::uint64_t seed = 0;
    bool speaks_at_ticks = false;  ///< While water runs it speaks at most once in two seconds, besides.

    [[nodiscard]] bool is_as_set() const { return times == 1 && jitter == 0 && !speaks_at_ticks; }
};

/// The accidents of a node's life. Spans of one kind must not overlap.
struct Story {
    KeptCadence pace;
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
    std::vector<Backlog> backlogs;
    /// Water runs back, while the node is on or off. Only for a node that keeps every tick.
    std::vector<Reversal> reversals;

    /// When water ran back, one instant a tick, in order.
    [[nodiscard]] std::vector<Instant> back_ticks() const;
};

/// Lets the water of (from, to] run through the node's meter and its story happen. The node speaks every
/// cadence, at its pace, first one turn after span.from. What happens at one instant: first the water, then
/// the accident, then the message. What lies outside the span is passed over, so that a story without
/// backlogs can be run piece by piece. Returns the messages in order of their arrival. `unheard`: where
/// given, the messages that never arrive are added to it.
[[nodiscard]] std::vector<Delivery> run(Node& node, const std::vector<Instant>& ticks, const Story& story,
                                        Span span, std::vector<Delivery>* unheard = nullptr);

}  // namespace tickledger::simulation
