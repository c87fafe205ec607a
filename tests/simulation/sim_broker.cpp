#include "simulation/sim_broker.hpp"

#include <algorithm>

namespace tickledger::simulation {

void SimBroker::publish(std::uint32_t letter, std::uint32_t topic, bool retain) {
    if (retain) retained_[topic] = letter;
    if (session_ && queue_.size() < habits_.queue_max) queue_.push_back({letter, topic, false, false});
    if (habits_.saves_now_and_then && chance_.happens(0.005)) saved_ = {session_, queue_, retained_};
}

bool SimBroker::connect() {
    connected_ = true;
    const bool was_there = session_;
    session_ = true;
    shuffle_across_topics();
    // Retained copies follow the subscription, which comes after the connection and so after the queue.
    for (const auto& [topic, letter] : retained_)
        queue_.push_back({letter, topic, false, true});
    return was_there;
}

void SimBroker::disconnect(std::size_t lost_acknowledgements) {
    if (!connected_) return;
    connected_ = false;
    std::erase_if(queue_, [](const Letter& letter) { return letter.retained; });
    const std::size_t in_flight = chance_.below(in_flight_max + 1);
    for (std::size_t i = 0; i < std::min(in_flight, queue_.size()); ++i)
        queue_[i].redelivered = true;
    for (; lost_acknowledgements > 0 && !acknowledged_.empty(); --lost_acknowledgements) {
        queue_.push_front(acknowledged_.back());
        queue_.front().redelivered = true;
        acknowledged_.pop_back();
    }
    acknowledged_.clear();
}

void SimBroker::expire_session() {
    session_ = false;
    queue_.clear();
}

std::optional<Letter> SimBroker::next() const {
    if (!connected_ || queue_.empty()) return std::nullopt;
    return queue_.front();
}

void SimBroker::acknowledge() {
    if (!queue_.front().retained) acknowledged_.push_back(queue_.front());
    if (acknowledged_.size() > in_flight_max) acknowledged_.pop_front();
    queue_.pop_front();
}

void SimBroker::stop() {
    up_ = false;
    saved_ = {session_, queue_, retained_};
}

void SimBroker::kill() {
    up_ = false;
    const Kept left = habits_.saves_now_and_then ? saved_ : Kept{};
    session_ = left.session;
    queue_ = left.queue;
    retained_ = left.retained;
}

void SimBroker::shuffle_across_topics() {
    std::map<std::uint32_t, std::deque<Letter>> by_topic;
    for (const Letter& letter : queue_)
        by_topic[letter.topic].push_back(letter);
    if (by_topic.size() < 2 || chance_.happens(0.5)) return;
    queue_.clear();
    while (!by_topic.empty()) {
        const auto topic =
            std::next(by_topic.begin(), static_cast<std::ptrdiff_t>(chance_.below(by_topic.size())));
        queue_.push_back(topic->second.front());
        topic->second.pop_front();
        if (topic->second.empty()) by_topic.erase(topic);
    }
}

}  // namespace tickledger::simulation
