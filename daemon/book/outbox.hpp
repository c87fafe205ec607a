// What is published waits in the ledger, in the transaction that caused it.
#pragma once

#include <map>
#include <string>

#include "store/ledger.hpp"

namespace tickledger {

/// A live daemon publishes everything; a replay only what is still true at its end.
enum class Publishing : std::uint8_t { everything, last_state };

class Outbox {
public:
    Outbox(Ledger& ledger, Publishing publishing) : ledger_(ledger), publishing_(publishing) {}

    /// Queues a document below the root. Throws StoreFailure.
    void publish(std::string topic, std::string payload, bool retained);

    /// False where it is lost labour to write what is not retained.
    [[nodiscard]] bool takes_all() const { return publishing_ == Publishing::everything; }

    /// Queues the last retained document of each topic that a replay held back. Throws StoreFailure.
    void publish_last_state();
    /// Forgets what was held back, after the ledger was loaded anew.
    void forget() { last_state_.clear(); }

private:
    Ledger& ledger_;
    Publishing publishing_;
    std::map<std::string, std::string> last_state_;
};

}  // namespace tickledger
