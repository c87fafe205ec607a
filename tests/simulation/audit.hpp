// The end of a world: is every tick in the ledger, once, where it ran?
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "simulation/books.hpp"
#include "simulation/machine.hpp"
#include "simulation/plan.hpp"
#include "simulation/sim_daemon.hpp"

namespace tickledger::simulation {

struct Sent;
struct Line;

/// Looks at the ledger of a daemon that has closed it. The first thing that is wrong is kept in words.
class Audit {
public:
    /// `lines`: what the message log holds, in its order.
    Audit(const Plan& plan, const DaemonSettings& settings, Machine& machine, const std::vector<Sent>& sent,
          const std::vector<Line>& lines);

    /// The first law, and the water against the entries.
    void check_books();
    /// The third law: the log, booked at once into a new ledger, gives the same. `until`: where the clock
    /// stands.
    void check_rebuilding(Instant until);
    /// The second law: messages with boot and number, delivered again in any order, change nothing.
    void check_repeats(const SimClock& clock, Chance& chance);

    [[nodiscard]] const std::optional<std::string>& failure() const { return failure_; }

private:
    /// What the logged messages of a node allow to be known.
    struct Expected {
        std::int64_t ticks = 0;
        bool has_messages = false;
    };
    [[nodiscard]] Expected expected_count(std::uint32_t node) const;
    [[nodiscard]] Expected expected_pulses(std::uint32_t node, const MeterBooks& books) const;
    [[nodiscard]] bool is_undecidable(const PlannedNode& planned, const MeterBooks& books) const;
    [[nodiscard]] bool may_lose_time() const;

    void check_meter(std::uint32_t node, const MeterBooks& books);
    void check_conservation(const MeterBooks& books);
    void check_total(std::uint32_t node, const MeterBooks& books);
    void check_entries(std::uint32_t node, const MeterBooks& books);
    void fail_with(const std::string& meter, const std::string& what);

    const Plan& plan_;
    const DaemonSettings& settings_;
    Machine& machine_;
    const std::vector<Sent>& sent_;
    const std::vector<Line>& lines_;
    std::optional<Books> books_;
    std::optional<std::string> failure_;
};

}  // namespace tickledger::simulation
