// A broker whose answers to subscriptions the test gives, in the order that it wants. A real broker answers
// at once, so the cases between a question and its answer need this one.
#pragma once

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstdint>
#include <mutex>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

#include "support/wait_until.hpp"

namespace tickledger::test {

/// Serves one connection on loopback. It speaks as much of MQTT 3.1.1 as the link needs. The link must be
/// gone before it is destroyed.
class ScriptedBroker {
public:
    struct Subscription {
        std::string packet_id;  ///< As on the wire.
        std::vector<std::string> filters;
    };

    ScriptedBroker() : listener_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
        sockaddr_in address{};
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        socklen_t length = sizeof address;
        auto* const any = reinterpret_cast<sockaddr*>(&address);
        if (::bind(listener_, any, length) != 0 || ::listen(listener_, 1) != 0 ||
            ::getsockname(listener_, any, &length) != 0)
            throw std::runtime_error("The scripted broker cannot listen on loopback.");
        port_ = ntohs(address.sin_port);
        thread_ = std::thread([this] { serve(); });
    }
    ~ScriptedBroker() {
        ::shutdown(listener_, SHUT_RDWR);
        thread_.join();
        ::close(listener_);
    }
    ScriptedBroker(const ScriptedBroker&) = delete;
    ScriptedBroker& operator=(const ScriptedBroker&) = delete;

    [[nodiscard]] std::string url() const { return "mqtt://127.0.0.1:" + std::to_string(port_); }
    /// The `number`th subscription, counted from 0, once it has arrived.
    [[nodiscard]] Subscription subscription(std::size_t number) {
        if (!wait_until([&] { return count() > number; }))
            throw std::runtime_error("The subscription does not arrive.");
        const std::lock_guard lock(mutex_);
        return subscriptions_[number];
    }
    /// The payloads that the link has published.
    [[nodiscard]] std::vector<std::string> payloads() {
        const std::lock_guard lock(mutex_);
        return payloads_;
    }
    /// One code for each filter, MQTT 3.1.1 section 3.9.3.
    void answer(const Subscription& subscription, const std::string& codes) {
        send('\x90', subscription.packet_id + codes);
    }
    void publish(const std::string& topic, const std::string& payload) {
        send('\x30', std::string{'\0', static_cast<char>(topic.size())} + topic + payload);
    }

private:
    [[nodiscard]] std::size_t count() {
        const std::lock_guard lock(mutex_);
        return subscriptions_.size();
    }
    /// Packets of at most 127 bytes, whose length is one byte.
    void send(char type, const std::string& body) {
        const std::string packet = std::string{type, static_cast<char>(body.size())} + body;
        if (::send(connection_, packet.data(), packet.size(), MSG_NOSIGNAL) < 0)
            throw std::runtime_error("The link has closed the connection.");
    }
    [[nodiscard]] std::string read(std::size_t length) const {
        std::string bytes(length, '\0');
        const bool is_read = length == 0 || ::recv(connection_, bytes.data(), length, MSG_WAITALL) ==
                                                static_cast<ssize_t>(length);
        return is_read ? bytes : std::string{};
    }
    static std::size_t length_at(const std::string& text, std::size_t at) {
        return static_cast<unsigned char>(text[at]) * std::size_t{256} +
               static_cast<unsigned char>(text[at + 1]);
    }
    void serve() {
        connection_ = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
        for (;;) {
            const std::string head = read(2);
            if (head.empty()) break;
            const int type = static_cast<unsigned char>(head[0]) >> 4;
            take(type, read(static_cast<unsigned char>(head[1])));
        }
        if (connection_ >= 0) ::close(connection_);
    }
    void take(int type, const std::string& body) {
        if (type == 1) send('\x20', std::string(2, '\0'));
        if (type == 3) {
            const std::size_t id_at = 2 + length_at(body, 0);
            {
                const std::lock_guard lock(mutex_);
                payloads_.push_back(body.substr(id_at + 2));
            }
            send('\x40', body.substr(id_at, 2));
        }
        if (type == 8) {
            Subscription subscription{body.substr(0, 2), {}};
            // Each filter has its length before it and the QoS behind it.
            for (std::size_t at = 2; at < body.size();) {
                const std::size_t length = length_at(body, at);
                subscription.filters.push_back(body.substr(at + 2, length));
                at += 2 + length + 1;
            }
            const std::lock_guard lock(mutex_);
            subscriptions_.push_back(std::move(subscription));
        }
    }

    const int listener_;
    std::uint16_t port_ = 0;
    int connection_ = -1;
    std::mutex mutex_;
    std::vector<Subscription> subscriptions_;
    std::vector<std::string> payloads_;
    std::thread thread_;
};

}  // namespace tickledger::test
