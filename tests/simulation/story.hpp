// The accidents of a node over days, and the messages that result.
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
    /// It pauses after this many messages; 0: it sends all in one go.
    std::size_t piece = 0;
    Duration pause{};
    /// New readings are sent at once, between the queued ones. Otherwise they join the end of the queue.
    bool mixes_live = false;
    /// The queue is in flash and survives a power cut. Otherwise a cut loses the messages not sent yet.
    bool survives_power_cut = false;
    /// This many of the last queued messages are sent once more at the end.
    std::size_t repeated = 0;
};

struct Reversal {
    Instant at{};
    int ticks = 1;
    /// From one tick back to the next.
    Duration spacing = std::chrono::seconds{2};
};

/// How well a node keeps the configured cadence: a sleeping board has a poor clock, and people guess the
/// setting.
struct KeptCadence {
    double times = 1;   ///< Its mean cadence as a multiple of the configured one.
    double jitter = 0;  ///< Each wait is longer or shorter by up to this share.
    std::uint64_t seed = 0;
    bool speaks_at_ticks = false;  ///< It also sends while water runs, at most once in two seconds.

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
    /// Messages sent in each of these are delayed and arrive together at its end, in order.
    std::vector<Span> delays;
    /// The first message sent in each of these arrives only at its end, after its successors.
    std::vector<Span> overtaken;
    std::vector<Redelivery> redeliveries;
    std::vector<ClockError> clock_errors;
    std::vector<Backlog> backlogs;
    /// Water runs back, while the node is on or off. Only for a node that keeps every tick.
    std::vector<Reversal> reversals;

    /// When water ran back, one instant a tick, in order.
    [[nodiscard]] std::vector<Instant> back_ticks() const;
};

/// Runs the water of (from, to] through the node's meter, together with the node's story. The node sends a
/// message every cadence, at its pace, for the first time one cadence after span.from. At the same instant,
/// water comes first, then the accident, then the message. Everything outside the span is skipped, so a story
/// without backlogs can be run piece by piece. Returns the messages in order of arrival. Messages that never
/// arrive are added to `unheard` if it is given.
[[nodiscard]] std::vector<Delivery> run(Node& node, const std::vector<Instant>& ticks, const Story& story,
                                        Span span, std::vector<Delivery>* unheard = nullptr);

}  // namespace tickledger::simulation
