// Records what a link reports, for the test to check.
#pragma once

#include <algorithm>
#include <atomic>
#include <memory>
#include <mutex>
#include <set>
#include <string>
#include <vector>

#include "link/broker.hpp"
#include "support/mosquitto_process.hpp"
#include "support/wait_until.hpp"

namespace tickledger::test {

class Recorder {
public:
    /// on_message or on_link refuses while its flag is false.
    std::atomic<bool> keeps_messages = true;
    std::atomic<bool> keeps_link_changes = true;

    BrokerLink::Callbacks callbacks() {
        BrokerLink::Callbacks callbacks;
        callbacks.on_message = [this](Message&& message) {
            const std::lock_guard lock(mutex_);
            if (!keeps_messages) {
                ++refused_;
                return false;
            }
            events_.push_back("message " + message.payload);
            messages_.push_back(std::move(message));
            return true;
        };
        callbacks.on_link = [this](LinkChange change) {
            const std::lock_guard lock(mutex_);
            if (!keeps_link_changes) {
                ++refused_;
                return false;
            }
            events_.push_back(change.up ? (change.session_present ? "up present" : "up") : "down");
            return true;
        };
        callbacks.on_published = [this](std::int64_t id) {
            const std::lock_guard lock(mutex_);
            published_.push_back(id);
        };
        callbacks.on_room = [this] {
            const std::lock_guard lock(mutex_);
            published_at_room_.push_back(published_.size());
        };
        callbacks.on_trouble = [this](const std::string& sentence) {
            const std::lock_guard lock(mutex_);
            troubles_.push_back(sentence);
        };
        return callbacks;
    }

    [[nodiscard]] std::vector<std::string> events() const { return copy(events_); }
    [[nodiscard]] std::vector<Message> messages() const { return copy(messages_); }
    [[nodiscard]] std::vector<std::int64_t> published() const { return copy(published_); }
    /// How many publications were confirmed at each call for more.
    [[nodiscard]] std::vector<std::size_t> published_at_room() const { return copy(published_at_room_); }
    [[nodiscard]] std::vector<std::string> troubles() const { return copy(troubles_); }
    [[nodiscard]] int refused() const {
        const std::lock_guard lock(mutex_);
        return refused_;
    }
    /// The payloads that arrived, each once.
    [[nodiscard]] std::set<std::string> payloads() const {
        std::set<std::string> payloads;
        for (const auto& message : messages())
            payloads.insert(message.payload);
        return payloads;
    }
    [[nodiscard]] std::size_t count_of(const std::string& event) const {
        const auto all = events();
        return static_cast<std::size_t>(std::count(all.begin(), all.end(), event));
    }

private:
    template <typename T>
    T copy(const T& value) const {
        const std::lock_guard lock(mutex_);
        return value;
    }

    mutable std::mutex mutex_;
    int refused_ = 0;
    std::vector<std::string> events_;
    std::vector<Message> messages_;
    std::vector<std::int64_t> published_;
    std::vector<std::size_t> published_at_room_;
    std::vector<std::string> troubles_;
};

inline BrokerSettings settings_for(const MosquittoProcess& broker) {
    BrokerSettings settings;
    settings.url = broker.url();
    return settings;
}

inline std::unique_ptr<BrokerLink> start_link(const BrokerSettings& settings, Recorder& recorder,
                                              std::vector<std::string> filters = {"nodes/#"}) {
    auto link = BrokerLink::start(settings, std::move(filters), recorder.callbacks());
    if (!link) throw std::runtime_error(link.error().text);
    return std::move(*link);
}

inline bool wait_subscribed(const BrokerLink& link) {
    return wait_until([&] { return link.state().subscribed; });
}

/// "1" to "count".
inline std::vector<std::string> numbers(int first, int last) {
    std::vector<std::string> numbers;
    for (int i = first; i <= last; ++i)
        numbers.push_back(std::to_string(i));
    return numbers;
}

inline constexpr std::chrono::seconds stop_wait{10};

}  // namespace tickledger::test
