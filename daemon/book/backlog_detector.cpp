#include "book/backlog_detector.hpp"

#include <algorithm>
#include <iterator>
#include <string>
#include <unordered_map>
#include <utility>

namespace tickledger {

void BacklogDetector::add(Event event, LogPosition next) {
    if (const auto* set = std::get_if<ClockSet>(&event)) {
        date(*set);
        // The line that set the clock is read together with what it dates, so nothing needs to follow it. If
        // it dates nothing, it is handed on by itself, so that the place after it is reached.
        if (backlog_begin_) {
            backlog_next_ = std::move(next);
            return;
        }
        if (ready_.empty()) ready_.push_back({std::move(event)});
        ready_next_ = std::move(next);
    } else if (std::holds_alternative<Unclocked>(event) || !undated_.empty()) {
        undated_.push_back({std::move(event), std::move(next)});
    } else {
        add_dated(std::move(event), std::move(next));
    }
}

void BacklogDetector::date(const ClockSet& set) {
    // From the last message to the first. None is later than the one after it. The machine's running time
    // shows how long before the clock was set a message came. But none is dated before the stamps up to then,
    // which its own line repeats: they may have been ahead, and stood still while no daemon ran.
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
        Instant& stamp = stamp_of(undated->event);
        stamp = std::max(stamp, no_later);
    }
    for (Undated& undated : std::exchange(undated_, {}))
        add_dated(std::move(undated.event), std::move(undated.next));
}

void BacklogDetector::add_dated(Event event, LogPosition next) {
    pause(time_of(event));
    const auto* change = std::get_if<LinkChange>(&event);
    if (change && backlog_begin_) end_backlog();
    if (change && change->up && change->session_present) {
        backlog_begin_ = backlog_last_ = change->at;
        backlog_.push_back({std::move(event)});
        backlog_next_ = std::move(next);
        return;
    }
    if (backlog_begin_) {
        backlog_last_ = time_of(event);
        backlog_.push_back({std::move(event)});
        backlog_next_ = std::move(next);
        if (backlog_.size() >= backlog_events_max) end_backlog();
        return;
    }
    const auto* message = std::get_if<Message>(&event);
    const bool waited = message && (message->redelivered || message->retained);
    // Batches of one size follow one another, and growing would move every message several times.
    if (ready_.empty()) ready_.reserve(taken_count_);
    ready_.push_back({std::move(event), waited, 0});
    ready_next_ = std::move(next);
}

void BacklogDetector::pause(Instant now) {
    if (!backlog_begin_) return;
    if (now - backlog_last_ >= backlog_pause || now - *backlog_begin_ >= backlog_longest) end_backlog();
}

void BacklogDetector::finish() {
    if (backlog_begin_) end_backlog();
}

void BacklogDetector::end_backlog() {
    std::unordered_map<std::string, int> behind;
    for (auto delivery = backlog_.rbegin(); delivery != backlog_.rend(); ++delivery) {
        const auto* message = std::get_if<Message>(&delivery->event);
        if (!message) continue;
        delivery->waited = true;
        // The broker's retained copy has an age of its own and is not part of the queue.
        if (!message->retained) delivery->behind = behind[message->topic]++;
    }
    // A backlog may be large. If nothing is before it, it is swapped, and no element moves.
    if (ready_.empty()) ready_.swap(backlog_);
    ready_.insert(ready_.end(), std::make_move_iterator(backlog_.begin()),
                  std::make_move_iterator(backlog_.end()));
    ready_next_ = backlog_next_;
    backlog_ = {};
    backlog_begin_.reset();
}

BacklogDetector::Ready BacklogDetector::take() {
    taken_count_ = ready_.size();
    return {std::exchange(ready_, {}), ready_next_};
}

}  // namespace tickledger
