#include "book/feed.hpp"

#include <algorithm>
#include <iterator>
#include <string>
#include <unordered_map>
#include <utility>

namespace tickledger {

void Feed::add(Event event, LogPosition next) {
    if (const auto* set = std::get_if<ClockSet>(&event)) {
        date(*set);
    } else if (std::holds_alternative<Unclocked>(event) || !undated_.empty()) {
        undated_.push_back({std::move(event), std::move(next)});
    } else {
        add_dated(std::move(event), std::move(next));
    }
}

void Feed::date(const ClockSet& set) {
    // From the last to the first: each lies no later than the one after it, and exactly as long before the
    // clock was set as the machine had been running less.
    Instant no_later = set.at;
    Duration since_boot = set.since_boot;
    bool same_start = true;
    for (auto undated = undated_.rbegin(); undated != undated_.rend(); ++undated) {
        if (auto* unclocked = std::get_if<Unclocked>(&undated->event)) {
            same_start = same_start && unclocked->since_boot <= since_boot;
            if (same_start) {
                no_later = std::min(no_later, set.at - (set.since_boot - unclocked->since_boot));
                since_boot = unclocked->since_boot;
            }
            Message message = std::move(unclocked->message);
            undated->event = std::move(message);
        }
        stamp_of(undated->event) = no_later;
    }
    for (Undated& undated : std::exchange(undated_, {}))
        add_dated(std::move(undated.event), std::move(undated.next));
}

void Feed::add_dated(Event event, LogPosition next) {
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
    // A drain may be large: where nothing stands before it, none of it is moved.
    if (ready_.empty()) ready_.swap(drain_);
    ready_.insert(ready_.end(), std::make_move_iterator(drain_.begin()),
                  std::make_move_iterator(drain_.end()));
    ready_next_ = drain_next_;
    drain_ = {};
    drain_begin_.reset();
}

Feed::Ready Feed::take() {
    return {std::exchange(ready_, {}), ready_next_};
}

}  // namespace tickledger
