// Sends the outbox to the broker in order, and each publication again until it is acknowledged.
#pragma once

#include <cstdint>
#include <functional>
#include <mutex>
#include <vector>

#include "store/ledger.hpp"

namespace tickledger {

/// The ledger's own thread sends. The link's thread acknowledges.
class Publisher {
public:
    /// Hands over one publication. False: not now; it is offered again later.
    using Send = std::function<bool(const Outgoing&)>;

    /// Hands over what waits in the outbox, until `send` refuses. Ledger thread.
    [[nodiscard]] Result<void> send(Ledger& ledger, const Send& send);

    /// The publications that the broker has acknowledged, in order. The next batch removes them from the
    /// outbox, so that this costs no transaction of its own. Any thread.
    [[nodiscard]] std::vector<std::int64_t> acknowledged_so_far() const;
    /// These were removed from the outbox. Precondition: they are in order. Ledger thread.
    void forget_acknowledged(const std::vector<std::int64_t>& ids);

    /// From the link: the broker has acknowledged this one. Any thread, also from within `send`.
    void acknowledged(std::int64_t id);
    /// From the link: everything that was not acknowledged must be sent again. Any thread.
    void link_went_down();

private:
    mutable std::mutex mutex_;
    std::int64_t sent_id_ = 0;
    std::vector<std::int64_t> acknowledged_;  ///< In order, each once: thousands wait under load.
};

}  // namespace tickledger
