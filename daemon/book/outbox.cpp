#include "book/outbox.hpp"

#include "book/store_failure.hpp"

namespace tickledger {

void Outbox::publish(MeterPublication publication) {
    if (takes_all()) {
        value_or_throw(ledger_.queue({.id = 0,
                                      .topic = publication.topic(),
                                      .payload = publication.payload,
                                      .retained = publication.is_retained()}));
        if (audience_ && audience_->listens()) said_.push_back(std::move(publication));
    } else if (publication.is_retained()) {
        last_state_.insert_or_assign(publication.topic(), std::move(publication.payload));
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
