// One world from one seed: nodes, a broker and a server with the daemon's real parts, with their accidents
// and troubles. At the end, an audit checks that every tick is in the ledger once.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <unordered_map>
#include <vector>

#include "simulation/books.hpp"
#include "simulation/machine.hpp"
#include "simulation/people.hpp"
#include "simulation/plan.hpp"
#include "simulation/sim_broker.hpp"
#include "simulation/sim_daemon.hpp"
#include "simulation/told.hpp"

namespace tickledger::simulation {

/// A line of the message log as the world remembers it.
struct Line {
    static constexpr std::uint32_t no_message = 0xFFFF'FFFF;
    std::uint32_t sent = no_message;
    std::uint32_t file = 0;
    std::uint64_t end_bytes = 0;
    bool retained = false;
    /// A power cut took it from the log; the ledger had booked it before.
    bool only_booked = false;
};

/// Meters whose totals are outside the bounds of their messages, for a reason that nobody could detect.
struct Excused {
    int meters = 0;
    std::int64_t ticks_over = 0;   ///< Booked beyond what the nodes counted.
    std::int64_t ticks_under = 0;  ///< Told but not booked.
};

struct WorldReport {
    std::uint64_t seed = 0;
    std::size_t sent = 0;
    std::size_t logged = 0;      ///< Messages that the daemon accepted, including repeats.
    std::size_t lost_lines = 0;  ///< Lines of the message log that power cuts removed.
    std::array<int, trouble_count> troubles{};
    int starts = 0;
    int words = 0;             ///< Instructions that the daemon accepted.
    bool was_rebuilt = false;  ///< The third law was checked.
    /// Meters of which a message was heard, and by reason those that passed though not right to the tick.
    int meters = 0;
    std::map<std::string, Excused> excused;
    /// Spans in which more ran than their `unseen_max`, by the reason why nobody could know.
    std::map<std::string, int> loose_bounds;
    /// A hash of everything that was sent, logged and booked.
    std::uint64_t fingerprint = 0;
    /// The ledger's content and all publications, as lines.
    std::vector<std::string> told;
    /// Why the ledger is wrong; nothing: it is right.
    std::optional<std::string> failure;
};

class World {
public:
    World(std::uint64_t seed, Plan plan);
    ~World();

    /// Runs the plan and then the audit. Call it once.
    [[nodiscard]] WorldReport run();

private:
    enum class Next : std::uint8_t {
        message,
        delivery,
        pass,
        sync,
        trouble,
        word,
        restart,
        connect,
        broker_up,
        disk_heals,
        nothing
    };

    static constexpr Duration reconnect_wait = std::chrono::seconds{2};
    static constexpr Duration restart_wait = std::chrono::seconds{5};

    void send_messages();
    void step_until(Instant end);
    [[nodiscard]] std::pair<Instant, Next> next() const;
    void happen(Next what);

    void publish_to_broker();
    void deliver();
    void pass();
    void sync();
    void strike(const PlannedTrouble& trouble);
    void say(const PlannedWord& planned);
    void start_daemon();
    void stop_daemon(Duration until_back);
    void connect();
    void lose_link(std::size_t lost_acknowledgements, Duration until_back);
    void note_if_down();
    void remember(std::uint32_t sent, bool retained = false);
    void forget_lost_lines();
    void heal_all();
    void settle();
    void keep_house();
    void fail_with(std::string what);
    void check_publication(const Outgoing& outgoing);
    void note_publication(const Outgoing& outgoing);
    [[nodiscard]] std::uint64_t fingerprint_of(const Books& books) const;

    const std::uint64_t seed_;
    Plan plan_;
    Chance chance_;
    Machine machine_;
    SimClock clock_;
    SimBroker broker_;
    DaemonSettings settings_;
    People people_;
    std::unique_ptr<SimDaemon> daemon_;
    WorldReport report_;

    std::vector<Sent> sent_;
    std::vector<Sent> unheard_;            ///< Messages that never arrived.
    std::vector<std::uint32_t> arrivals_;  ///< In order of arrival at the broker.
    std::size_t arrived_ = 0;
    std::vector<std::uint32_t> waiting_nodes_messages_;
    std::vector<Line> lines_;
    std::vector<Line> lost_;  ///< Lines that the last power cut removed.
    std::vector<std::string> files_;
    std::size_t next_trouble_ = 0;
    std::size_t next_word_ = 0;

    std::optional<Instant> pass_at_, sync_at_, restart_at_, connect_at_, broker_up_at_, disk_heals_at_,
        deliver_at_;
    Duration outage_{};
    std::optional<LogPosition> first_lost_;  ///< The end of the first line that the last power cut removed.
    /// A power cut removed lines that had been booked, so the ledger knows more than the log.
    bool knows_more_than_log_ = false;
    /// Published usage rows: none may be published again with other content.
    std::unordered_map<std::string, std::uint64_t> published_;
    struct Published {
        int count = 0;
        std::uint64_t fingerprint = 0;
    };
    std::map<std::string, Published> published_on_;  ///< By topic.
};

/// Plans and runs the world of this seed.
[[nodiscard]] WorldReport run_world(std::uint64_t seed, std::size_t messages);

}  // namespace tickledger::simulation
