#include "book/outbox.hpp"

#include "book/store_failure.hpp"

namespace tickledger {

void Outbox::publish(std::string topic, std::string payload, bool retained) {
    if (takes_all()) {
        kept(ledger_.queue(
            {.id = 0, .topic = std::move(topic), .payload = std::move(payload), .retained = retained}));
    } else if (retained) {
        last_state_.insert_or_assign(std::move(topic), std::move(payload));
    }
}

void Outbox::publish_last_state() {
    for (const auto& [topic, payload] : last_state_) {
        kept(ledger_.queue({.id = 0, .topic = topic, .payload = payload, .retained = true}));
    }
    last_state_.clear();
}

}  // namespace tickledger
