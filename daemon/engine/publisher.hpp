// Carries the outbox to the broker, in order, each publication until it is acknowledged.
#pragma once

#include <cstdint>
#include <functional>
#include <mutex>
#include <vector>

#include "store/ledger.hpp"

namespace tickledger {

/// The ledger's own thread sends; the link's thread acknowledges.
class Publisher {
public:
    /// Hands one publication over. False: not now; it is offered again later.
    using Send = std::function<bool(const Outgoing&)>;

    /// Hands over what waits in the outbox, as far as it is taken. Ledger thread.
    [[nodiscard]] Result<void> send(Ledger& ledger, const Send& send);

    /// What the broker has acknowledged: to be removed from the outbox with the next batch, which costs no
    /// transaction of its own. In order. Any thread.
    [[nodiscard]] std::vector<std::int64_t> acknowledged_so_far() const;
    /// They are removed; precondition: in order. Ledger thread.
    void forget_acknowledged(const std::vector<std::int64_t>& ids);

    /// From the link: this one arrived. Any thread, also from within `send`.
    void acknowledged(std::int64_t id);
    /// From the link: everything that was not acknowledged must be sent again. Any thread.
    void link_went_down();

private:
    mutable std::mutex mutex_;
    std::int64_t sent_id_ = 0;
    std::vector<std::int64_t> acknowledged_;  ///< In order, each once: thousands wait under load.
};

}  // namespace tickledger
