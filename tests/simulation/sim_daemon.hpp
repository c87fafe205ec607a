// The daemon without its threads, sockets and signals: the production pieces in the order in which the
// service puts them together, driven step by step.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "book/booker.hpp"
#include "service/intake.hpp"
#include "service/opened_store.hpp"
#include "simulation/machine.hpp"

namespace tickledger::simulation {

inline constexpr const char* store_directory = "/store";
inline constexpr const char* ledger_file = "/store/ledger.db";
inline constexpr const char* messages_directory = "/store/messages";

/// The server's clock: true time and an error, or not set at all since the machine was started.
struct SimClock final : Clock {
    Instant true_time{};
    Duration error{};
    Instant machine_started_at{};
    bool is_set = true;

    [[nodiscard]] Instant wall() const override {
        return is_set ? true_time + error : Instant{} + since_boot();
    }
    [[nodiscard]] Duration since_boot() const override { return true_time - machine_started_at; }
    [[nodiscard]] bool is_synchronised() const override { return is_set; }
};

/// What a daemon is configured with. Must outlive it.
struct DaemonSettings {
    std::vector<MeterSettings> meters;
    CivilZone zone;
};

class SimDaemon {
public:
    /// As the service opens its store. Fails with its words where the store can not be used.
    [[nodiscard]] static Result<std::unique_ptr<SimDaemon>> start(Machine& machine,
                                                                  const DaemonSettings& settings,
                                                                  const SimClock& clock);

    /// True once the event is in the log and may be acknowledged.
    [[nodiscard]] bool accept(Message message) { return intake_->accept(std::move(message)); }
    [[nodiscard]] bool accept(LinkChange change) { return intake_->accept(change); }
    [[nodiscard]] bool sync() { return store_.log->sync().has_value(); }

    /// One pass of booking, as the booking thread makes it.
    Booker::Pass pass();
    /// Passes until everything accepted is booked, or the store fails.
    Booker::Pass book_all();
    /// Hands what waits in the outbox to the broker, which has it at once; it leaves the outbox with a later
    /// pass.
    void publish(const std::function<void(const Outgoing&)>& send);

    [[nodiscard]] MessageLog& log() { return *store_.log; }
    [[nodiscard]] Ledger& ledger() { return *store_.ledger; }
    [[nodiscard]] const Booker& booker() const { return *booker_; }
    /// The place in the log that the ledger told at the start.
    [[nodiscard]] const LogPosition& started_from() const { return told_from_; }

private:
    SimDaemon() = default;

    OpenedStore store_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<Booker> booker_;
    LogPosition told_from_;
    std::int64_t sent_id_ = 0;
    std::vector<std::int64_t> acknowledged_;
};

}  // namespace tickledger::simulation
