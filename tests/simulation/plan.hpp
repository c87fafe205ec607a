// What a world consists of, drawn from its seed: nodes, their water and accidents, and what happens to the
// server.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "simulation/chance.hpp"
#include "simulation/node.hpp"
#include "simulation/sim_broker.hpp"
#include "simulation/story.hpp"
#include "tickledger/meter.hpp"

namespace tickledger::simulation {

/// How exactly a node's messages allow its ticks to be known.
enum class Certainty : std::uint8_t {
    ordered,    ///< It tells boot and message number: the total is known to the tick.
    monotonic,  ///< It never falls back or is never off, so counts speak for themselves: the same.
    vague,      ///< Restarts that nobody tells: only the laws are asked for.
};

struct PlannedNode {
    NodeSettings settings;
    Story story;
    std::vector<Instant> ticks;
    Certainty certainty = Certainty::ordered;
    bool retains = false;
    /// While the broker is away it keeps its messages and sends them later; else they are lost.
    bool waits_for_broker = false;
    /// Where its messages' times are true, each measured entry can be compared with the water itself.
    bool tells_true_time = false;
};

/// Its kind, fields and accidents, for a report.
[[nodiscard]] std::string words(const PlannedNode& node);

enum class Trouble : std::uint8_t {
    kill,
    kill_at_write,
    power_cut,
    power_cut_at_write,
    orderly_restart,
    full_disk,
    failing_disk,
    broker_stopped,
    broker_killed,
    link_lost,
    clock_step,
};
inline constexpr int trouble_count = 11;
[[nodiscard]] const char* name_of(Trouble trouble);

struct PlannedTrouble {
    Instant at{};
    Trouble kind = Trouble::kill;
    Duration length{};         ///< Until the daemon, the broker, the disk or the link is back.
    std::uint64_t number = 0;  ///< Writes until the blow, bytes that are free, failures.
    Duration step{};           ///< The server's clock is wrong by this from then on.
};

/// What a person tells the daemon.
enum class Word : std::uint8_t {
    register_start,    ///< Where the register stands, so that readings can be compared with it.
    register_reading,  ///< What the register shows.
    take_back_reading,
    pulse_value,  ///< Another one from the day before on.
    away,
    away_for_a_day,
    home,
    acknowledge,  ///< The alarm that was published last, whatever it was.
    shelve,
    unshelve,
};
inline constexpr int word_count = 10;

struct PlannedWord {
    Instant at{};
    std::uint32_t node = 0;
    Word word = Word::away;
};

struct Plan {
    std::string zone;
    Span span;
    Duration commit_every{};
    Duration sync_every{};
    Duration looks_every{};  ///< How often the clock is looked at where nothing happens.
    std::vector<PlannedNode> nodes;
    std::vector<MeterSettings> meters;  ///< One for each node, in their order.
    std::vector<PlannedTrouble> troubles;
    std::vector<PlannedWord> words;  ///< In order of time.
    SimBroker::Habits broker;
    bool steps_clock = false;
    /// After a power cut the server may not know the time for a while.
    bool has_no_clock_battery = false;
    /// How long the daemon keeps entries and intervals, and its log; nothing: longer than the world lasts.
    std::optional<Duration> keeps_readings;
    std::optional<Duration> keeps_messages;
};

/// About `messages` messages; the shape follows from the seed alone.
[[nodiscard]] Plan plan_world(std::uint64_t seed, std::size_t messages);

}  // namespace tickledger::simulation
