#include "engine/publisher.hpp"

#include <algorithm>

namespace tickledger {

Result<void> Publisher::send(Ledger& ledger, const Send& send) {
    constexpr int portion = 100;
    for (;;) {
        std::int64_t after = 0;
        {
            const std::lock_guard lock(mutex_);
            after = sent_id_;
        }
        const auto waiting = ledger.outbox(after, portion);
        if (!waiting) return tl::unexpected(waiting.error());
        if (waiting->empty()) return {};
        for (const Outgoing& outgoing : *waiting) {
            {
                // The mark moves before the publication is sent. If the link breaks in between, the mark is
                // set back and the publication is sent again. It is never skipped.
                const std::lock_guard lock(mutex_);
                if (sent_id_ != after) break;
                const bool arrived_before =
                    std::binary_search(acknowledged_.begin(), acknowledged_.end(), outgoing.id);
                sent_id_ = after = outgoing.id;
                if (arrived_before) continue;
            }
            if (send(outgoing)) continue;
            const std::lock_guard lock(mutex_);
            if (sent_id_ == outgoing.id) sent_id_ = outgoing.id - 1;
            return {};
        }
    }
}

std::vector<std::int64_t> Publisher::acknowledged_so_far() const {
    const std::lock_guard lock(mutex_);
    return acknowledged_;
}

void Publisher::forget_acknowledged(const std::vector<std::int64_t>& ids) {
    const std::lock_guard lock(mutex_);
    std::erase_if(acknowledged_,
                  [&](std::int64_t id) { return std::binary_search(ids.begin(), ids.end(), id); });
}

void Publisher::acknowledged(std::int64_t id) {
    const std::lock_guard lock(mutex_);
    // The broker nearly always acknowledges in order, so the place is at the end.
    const auto place = std::upper_bound(acknowledged_.begin(), acknowledged_.end(), id);
    if (place == acknowledged_.begin() || *std::prev(place) != id) acknowledged_.insert(place, id);
}

void Publisher::link_went_down() {
    const std::lock_guard lock(mutex_);
    sent_id_ = 0;
}

}  // namespace tickledger
