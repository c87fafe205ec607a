// The plan of a world, generated from its seed: nodes with their water and accidents, and the troubles of the
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

/// How exactly a node's messages determine its ticks.
enum class Certainty : std::uint8_t {
    ordered,    ///< It sends boot and seq: the total is known to the tick.
    monotonic,  ///< Its count never falls, or it is never off: the total is known to the tick as well.
    vague,      ///< Its restarts are not reported: only the laws are checked.
};

struct PlannedNode {
    NodeSettings settings;
    Story story;
    std::vector<Instant> ticks;
    Certainty certainty = Certainty::ordered;
    bool retains = false;
    /// While the broker is away it keeps its messages and sends them later. Otherwise they are lost.
    bool waits_for_broker = false;
    /// If its messages' times are true, each measured entry can be compared with the water itself.
    bool tells_true_time = false;
};

/// The node's kind, fields and accidents as text for a report.
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
    session_expired,
};
inline constexpr int trouble_count = 12;
/// Kinds that strike at any time. The others are planned where they matter.
inline constexpr int random_trouble_count = 11;
[[nodiscard]] const char* name_of(Trouble trouble);

struct PlannedTrouble {
    Instant at{};
    Trouble kind = Trouble::kill;
    Duration length{};         ///< Until the daemon, the broker, the disk or the link is back.
    std::uint64_t number = 0;  ///< Writes until the blow, or free bytes, or failures.
    Duration step{};           ///< The server's clock is wrong by this from then on.
};

/// An instruction that a person gives.
enum class Word : std::uint8_t {
    register_start,    ///< The register's number, with which later readings are compared.
    register_reading,  ///< The register's number now.
    take_back_reading,
    pulse_value,  ///< A new one, valid from the day before on.
    away,
    away_for_a_day,
    home,
    acknowledge,  ///< The last published alarm, whatever its kind; so for the two below.
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
    Duration looks_every{};  ///< How often the engine runs when nothing happens.
    std::vector<PlannedNode> nodes;
    std::vector<MeterSettings> meters;  ///< One for each node, in the same order.
    std::vector<PlannedTrouble> troubles;
    std::vector<PlannedWord> words;  ///< In order of time.
    SimBroker::Habits broker;
    bool steps_clock = false;
    /// After a power cut the server may not know the time for a while.
    bool has_no_clock_battery = false;
    /// How long the daemon keeps entries and intervals, and its message log; nothing: longer than the world.
    std::optional<Duration> keeps_readings;
    std::optional<Duration> keeps_messages;
};

/// A world of about `messages` messages. Its shape depends only on the seed.
[[nodiscard]] Plan plan_world(std::uint64_t seed, std::size_t messages);

}  // namespace tickledger::simulation
