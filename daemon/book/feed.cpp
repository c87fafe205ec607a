#include "book/feed.hpp"

#include <iterator>
#include <string>
#include <unordered_map>

namespace tickledger {

void Feed::add(Event event, LogPosition next) {
    pause(time_of(event));
    const auto* change = std::get_if<LinkChange>(&event);
    if (change && drain_begin_) end_drain();
    if (change && change->up && change->session_present) {
        drain_begin_ = drain_last_ = change->at;
        drain_.push_back({std::move(event)});
        drain_next_ = std::move(next);
        return;
    }
    if (drain_begin_) {
        drain_last_ = time_of(event);
        drain_.push_back({std::move(event)});
        drain_next_ = std::move(next);
        if (drain_.size() >= drain_events_max) end_drain();
        return;
    }
    const auto* message = std::get_if<Message>(&event);
    const bool waited = message && (message->redelivered || message->retained);
    ready_.push_back({std::move(event), waited, 0});
    ready_next_ = std::move(next);
}

void Feed::pause(Instant now) {
    if (!drain_begin_) return;
    if (now - drain_last_ >= drain_pause || now - *drain_begin_ >= drain_longest) end_drain();
}

void Feed::finish() {
    if (drain_begin_) end_drain();
}

void Feed::end_drain() {
    std::unordered_map<std::string, int> behind;
    for (auto delivery = drain_.rbegin(); delivery != drain_.rend(); ++delivery) {
        const auto* message = std::get_if<Message>(&delivery->event);
        if (!message) continue;
        delivery->waited = true;
        // The broker's retained copy is of an age of its own and no part of the queue.
        if (!message->retained) delivery->behind = behind[message->topic]++;
    }
    ready_.insert(ready_.end(), std::make_move_iterator(drain_.begin()), std::make_move_iterator(drain_.end()));
    ready_next_ = drain_next_;
    drain_.clear();
    drain_begin_.reset();
}

Feed::Ready Feed::take() { return {std::exchange(ready_, {}), ready_next_}; }

}  // namespace tickledger
