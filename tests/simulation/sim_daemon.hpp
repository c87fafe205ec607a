// The daemon without its threads, sockets and signals: the production parts, put together in the service's
// order and run step by step.
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

/// The server's clock: the true time plus an error, or not set since the machine was started.
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

/// The daemon's configuration. Must outlive it.
struct DaemonSettings {
    std::vector<MeterSettings> meters;
    CivilZone zone;
    /// Longer than any world lasts: an audit reads the whole log and all readings.
    Retention retention{std::chrono::hours{24 * 10'000}, std::chrono::hours{24 * 10'000}};
    /// As in LogSync. 0: each line is synced before the message is acknowledged.
    Duration sync_every = std::chrono::seconds{1};
};

class SimDaemon {
public:
    /// Opens the store as the service does. Fails with the service's message if the store cannot be used.
    [[nodiscard]] static Result<std::unique_ptr<SimDaemon>> start(Machine& machine,
                                                                  const DaemonSettings& settings,
                                                                  const SimClock& clock);

    /// True once the event is in the log and may be acknowledged.
    [[nodiscard]] bool accept(Message message) { return intake_->accept(std::move(message)); }
    /// The same for the link. Unacknowledged publications are sent again once it is up.
    [[nodiscard]] bool accept(LinkChange change);
    /// An instruction. True once it is on the disk.
    [[nodiscard]] bool instruct(std::string document) {
        return intake_->accept_instruction(std::move(document)).has_value();
    }
    [[nodiscard]] bool sync() { return sync_->sync(); }
    /// Changes the settings without a restart. They must outlive the daemon.
    [[nodiscard]] bool reload(const std::vector<MeterSettings>& meters);

    /// One step of the engine, as the booking thread makes it while the link is down.
    Engine::Step step();
    /// Steps until everything accepted is booked or the store fails.
    Engine::Step book_all();
    /// A step while the link is up: sends the outbox to the broker, which acknowledges at once. The
    /// publications leave the outbox in a later step.
    void publish(const std::function<void(const Outgoing&)>& send);

    [[nodiscard]] MessageLog& log() { return *store_.log; }
    [[nodiscard]] Ledger& ledger() { return *store_.ledger; }
    [[nodiscard]] const Engine& engine() const { return *engine_; }
    /// The place in the log that the ledger held when the daemon started.
    [[nodiscard]] const LogPosition& started_from() const { return store_.ledger_was_at; }

private:
    SimDaemon() = default;

    OpenedStore store_;
    std::unique_ptr<LogSync> sync_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<LogSource> source_;
    std::unique_ptr<Engine> engine_;
};

}  // namespace tickledger::simulation
