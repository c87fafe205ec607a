// Answers the daemon's API requests: one API for each reading of the configuration and for each tenant in it.
#pragma once

#include <filesystem>
#include <memory>
#include <mutex>

#include "configuration/configuration.hpp"
#include "engine/clock.hpp"
#include "engine/intake.hpp"
#include "engine/publisher.hpp"
#include "link/broker.hpp"
#include "serve/api.hpp"
#include "serve/news.hpp"
#include "service/engine_thread.hpp"
#include "service/health_look.hpp"
#include "service/housekeeper.hpp"
#include "store/ledger.hpp"
#include "store/message_log.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// Must outlive the server that calls it. The parts must outlive it.
class Answers {
public:
    struct Parts {
        const StoreSettings& store;
        std::filesystem::path ledger_file;
        CivilZone zone;
        SystemClock& clock;
        BrokerLink& link;
        Intake& intake;
        Ledger& ledger;
        MessageLog& log;
        Publisher& publisher;
        EngineThread& engine_thread;
        Housekeeper& housekeeper;
        News& news;
    };

    explicit Answers(Parts parts);
    ~Answers();
    Answers(const Answers&) = delete;
    Answers& operator=(const Answers&) = delete;

    /// Answers by this configuration from now on. Any thread.
    void use(std::shared_ptr<const Configuration> configuration);
    /// On the server's thread. Precondition: use() has been called.
    [[nodiscard]] Response answer(const Request& request);

private:
    struct Generation;

    [[nodiscard]] HealthFacts health(Generation& generation);
    [[nodiscard]] ClockState clock_state();
    [[nodiscard]] ApiParts api_parts(Generation& generation);

    Parts parts_;
    const std::function<bool()> is_in_place_;  ///< Whether the ledger's file is in place. Any thread.
    MetersLook meters_look_;                   ///< Used on the server's thread only.
    std::mutex generation_mutex_;
    std::shared_ptr<Generation> generation_;
};

}  // namespace tickledger
