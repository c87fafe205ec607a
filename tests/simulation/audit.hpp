// The check at the end of a world: every tick is in the ledger once, in the span in which it ran.
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

/// What a world knows about its messages.
struct Heard {
    const std::vector<Sent>& sent;
    const std::vector<Sent>& unheard;
    /// The lines of the message log in their order, then lines that only the ledger still knows.
    const std::vector<Line>& lines;
};

/// Checks the ledger of a daemon that has closed it. Keeps a description of the first fault.
class Audit {
public:
    /// Meters and spans that are let pass are counted in the report, with the reason.
    Audit(const Plan& plan, const DaemonSettings& settings, Machine& machine, const Heard& heard,
          WorldReport& report);

    /// The first law; also compares the entries with the water that ran.
    void check_books();
    /// The third law: the log, booked in one go into a new ledger, gives the same ledger. `until`: the time
    /// on the clock.
    void check_rebuilding(Instant until);
    /// The second law: messages with boot and seq change nothing when delivered again in any order.
    void check_repeats(const SimClock& clock, Chance& chance);

    [[nodiscard]] const std::optional<std::string>& failure() const { return failure_; }
    /// The ledger, once it has been read.
    [[nodiscard]] const std::optional<Books>& books() const { return books_; }

private:
    [[nodiscard]] std::vector<const Sent*> heard_of(std::uint32_t node) const;
    /// Why this meter's total and times cannot be known; null: they can.
    [[nodiscard]] const char* why_undecidable(const PlannedNode& planned) const;
    /// Why `over` more ticks may be booked than the node counted; null: they may not.
    [[nodiscard]] const char* why_over(const PlannedNode& planned, const Told& told, std::int64_t over) const;
    /// Why `under` fewer ticks may be booked than the messages showed; null: they may not.
    [[nodiscard]] const char* why_under(std::uint32_t node, const Told& told, const MeterBooks& books,
                                        std::int64_t under) const;
    [[nodiscard]] std::int64_t pulses_beyond_keeping(std::uint32_t node) const;
    [[nodiscard]] bool may_lose_time() const;

    [[nodiscard]] bool is_within_reach(const Sent& sent) const;
    void check_meter(std::uint32_t node, const MeterBooks& books);
    void check_conservation(const MeterBooks& books);
    void check_total(std::uint32_t node, const MeterBooks& books);
    void check_times(std::uint32_t node, const MeterBooks& books);
    void check_unseen(std::uint32_t node, const MeterBooks& books);
    /// Why more than `unseen_max` may have run between these messages; null: it may not.
    [[nodiscard]] const char* why_bound_is_loose(const Sent& from, const Sent& to) const;
    [[nodiscard]] bool seems_sent_on_arrival(const Sent& message) const;
    void check_span(const Entry& entry, const Sent& from, const Sent& to, const MeterBooks& books);
    [[nodiscard]] std::string shown(std::uint32_t node, const MeterBooks& books);
    [[nodiscard]] Instant logged_at(const Sent& sent) const;
    [[nodiscard]] std::vector<Event> logged(const std::string& topic) const;
    [[nodiscard]] std::string log_of(const std::string& topic) const;
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
    /// Of the current meter: ticks beyond an `unseen_max`, in spans that why_bound_is_loose() lets pass.
    std::int64_t loose_ticks_ = 0;
};

}  // namespace tickledger::simulation
