#include "book/outbox.hpp"

#include "book/store_failure.hpp"

namespace tickledger {

void Outbox::publish(std::string topic, std::string payload, bool retained) {
    if (takes_all()) {
        Outgoing outgoing{
            .id = 0, .topic = std::move(topic), .payload = std::move(payload), .retained = retained};
        value_or_throw(ledger_.queue(outgoing));
        if (audience_ && audience_->listens()) said_.push_back(std::move(outgoing));
    } else if (retained) {
        last_state_.insert_or_assign(std::move(topic), std::move(payload));
    }
}

void Outbox::committed() {
    if (!said_.empty()) audience_->hear(said_);
    said_.clear();
}

void Outbox::publish_last_state() {
    for (const auto& [topic, payload] : last_state_) {
        value_or_throw(ledger_.queue({.id = 0, .topic = topic, .payload = payload, .retained = true}));
    }
    last_state_.clear();
}

}  // namespace tickledger
