// Publications for the broker. They wait in the ledger, stored in the transaction that caused them.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "book/meter_publication.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// A live daemon publishes everything. A replay publishes only what is still true at its end.
enum class Publishing : std::uint8_t { everything, last_state };

/// Hears what is published as soon as the batch that caused it is committed. Called on the booking thread.
class Audience {
public:
    virtual ~Audience() = default;
    /// False: nobody listens at this moment, so nothing has to be kept for hear().
    [[nodiscard]] virtual bool listens() const = 0;
    virtual void hear(const std::vector<MeterPublication>& published) = 0;
};

class Outbox {
public:
    Outbox(Ledger& ledger, Publishing publishing) : ledger_(ledger), publishing_(publishing) {}

    /// Null: nobody hears. `audience` must outlive this.
    void tell_to(Audience* audience) { audience_ = audience; }
    /// The open batch was committed: passes its publications to the audience.
    void committed();
    /// The open batch was rolled back: drops its publications.
    void rolled_back() { said_.clear(); }

    /// Throws StoreFailure.
    void publish(MeterPublication publication);

    /// False in a replay, which drops publications that are not retained.
    [[nodiscard]] bool takes_all() const { return publishing_ == Publishing::everything; }

    /// Queues the last retained document of each topic, which the replay held back. Throws StoreFailure.
    void publish_last_state();
    /// Drops what was held back. Call it when the ledger is loaded again.
    void forget() { last_state_.clear(); }

private:
    Ledger& ledger_;
    Publishing publishing_;
    std::map<std::string, std::string> last_state_;
    Audience* audience_ = nullptr;
    std::vector<MeterPublication> said_;  ///< Published in the open batch, for the audience.
};

}  // namespace tickledger
