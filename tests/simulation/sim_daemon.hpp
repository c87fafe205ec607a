// The daemon without its threads, sockets and signals: the production pieces in the order in which the
// service puts them together, turned step by step.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "engine/engine.hpp"
#include "engine/intake.hpp"
#include "engine/log_sync.hpp"
#include "engine/opened_store.hpp"
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
    /// Longer than any world lasts: an audit reads the whole log and all readings.
    Retention retention{std::chrono::hours{24 * 10'000}, std::chrono::hours{24 * 10'000}};
    /// As LogSync has it. 0: each line is on the disk before the broker is thanked.
    Duration sync_every = std::chrono::seconds{1};
};

class SimDaemon {
public:
    /// As the service opens its store. Fails with its words where the store cannot be used.
    [[nodiscard]] static Result<std::unique_ptr<SimDaemon>> start(Machine& machine,
                                                                  const DaemonSettings& settings,
                                                                  const SimClock& clock);

    /// True once the event is in the log and may be acknowledged.
    [[nodiscard]] bool accept(Message message) { return intake_->accept(std::move(message)); }
    /// The same of the link; what went out and was not acknowledged is sent again once it is up.
    [[nodiscard]] bool accept(LinkChange change);
    /// What a person tells. True once it is on the disk.
    [[nodiscard]] bool instruct(std::string document) {
        return intake_->accept_instruction(std::move(document)).has_value();
    }
    [[nodiscard]] bool sync() { return sync_->sync(); }
    /// Takes up other settings without a new start; they must outlive it.
    [[nodiscard]] bool reload(const std::vector<MeterSettings>& meters);

    /// One turn of the engine, as the booking thread makes it while the link is down.
    Engine::Step step();
    /// Turns until everything accepted is booked, or the store fails.
    Engine::Step book_all();
    /// A turn while the link is up: hands what waits in the outbox to the broker, which has it at once; it
    /// leaves the outbox with a later turn.
    void publish(const std::function<void(const Outgoing&)>& send);

    [[nodiscard]] MessageLog& log() { return *store_.log; }
    [[nodiscard]] Ledger& ledger() { return *store_.ledger; }
    [[nodiscard]] const Engine& engine() const { return *engine_; }
    /// The place in the log that the ledger told at the start.
    [[nodiscard]] const LogPosition& started_from() const { return told_from_; }

private:
    SimDaemon() = default;

    OpenedStore store_;
    std::unique_ptr<LogSync> sync_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<LogSource> source_;
    std::unique_ptr<Engine> engine_;
    LogPosition told_from_;
};

}  // namespace tickledger::simulation
