// The end of a world: is every tick in the ledger, once, where it ran?
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "simulation/books.hpp"
#include "simulation/machine.hpp"
#include "simulation/plan.hpp"
#include "simulation/sim_daemon.hpp"
#include "simulation/told.hpp"

namespace tickledger::simulation {

struct Line;
struct WorldReport;

/// What a world knows of its messages.
struct Heard {
    const std::vector<Sent>& sent;
    const std::vector<Sent>& unheard;
    /// What the message log holds, in its order, and what the ledger holds beyond it.
    const std::vector<Line>& lines;
};

/// Looks at the ledger of a daemon that has closed it. The first thing that is wrong is kept in words.
class Audit {
public:
    /// What is not asked for, and why, is counted in the report.
    Audit(const Plan& plan, const DaemonSettings& settings, Machine& machine, const Heard& heard,
          WorldReport& report);

    /// The first law, and the water against the entries.
    void check_books();
    /// The third law: the log, booked at once into a new ledger, gives the same. `until`: where the clock
    /// stands.
    void check_rebuilding(Instant until);
    /// The second law: messages with boot and number, delivered again in any order, change nothing.
    void check_repeats(const SimClock& clock, Chance& chance);

    [[nodiscard]] const std::optional<std::string>& failure() const { return failure_; }
    /// The ledger, once it was read.
    [[nodiscard]] const std::optional<Books>& books() const { return books_; }

private:
    [[nodiscard]] std::vector<const Sent*> heard_of(std::uint32_t node) const;
    /// Why nobody could tell the total of this meter, nor its times; nothing: it can be told.
    [[nodiscard]] const char* why_undecidable(const PlannedNode& planned) const;
    /// Why more may be booked than the node counted, by `over` ticks; nothing: it may not.
    [[nodiscard]] const char* why_over(const PlannedNode& planned, const Told& told, std::int64_t over) const;
    /// Why fewer may be booked than were told, by `under` ticks; nothing: they may not.
    [[nodiscard]] const char* why_under(std::uint32_t node, const Told& told, const MeterBooks& books,
                                        std::int64_t under) const;
    [[nodiscard]] std::int64_t pulses_beyond_keeping(std::uint32_t node) const;
    [[nodiscard]] bool may_lose_time() const;

    void check_meter(std::uint32_t node, const MeterBooks& books);
    void check_conservation(const MeterBooks& books);
    void check_total(std::uint32_t node, const MeterBooks& books);
    void check_times(std::uint32_t node, const MeterBooks& books);
    void check_unseen(std::uint32_t node, const MeterBooks& books);
    /// Why more may have run than a span's `unseen_max`, from this message on; nothing: it may not.
    [[nodiscard]] const char* why_bound_is_loose(const Sent& from, const Sent& to) const;
    [[nodiscard]] bool seems_sent_on_arrival(const Sent& message) const;
    void check_span(const Entry& entry, const Sent& from, const Sent& to, const MeterBooks& books);
    [[nodiscard]] std::string shown(std::uint32_t node, const MeterBooks& books);
    [[nodiscard]] std::string log_of(const std::string& topic);
    void fail_with(const std::string& meter, const std::string& what);

    const Plan& plan_;
    const DaemonSettings& settings_;
    Machine& machine_;
    const std::vector<Sent>& sent_;
    const std::vector<Sent>& unheard_;
    const std::vector<Line>& lines_;
    WorldReport& report_;
    std::optional<Books> books_;
    std::optional<std::string> failure_;
    /// Of the meter at hand: what ran in spans beyond an `unseen_max` that nobody could have told better.
    std::int64_t loose_ticks_ = 0;
};

}  // namespace tickledger::simulation
