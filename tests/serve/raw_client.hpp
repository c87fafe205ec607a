// A client that sends raw bytes, so that a test can break the protocol.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

namespace tickledger::test {

struct RawAnswer {
    unsigned status = 0;
    std::string head;
    /// Without the framing of chunks.
    std::string body;
};

class RawClient {
public:
    /// Connects or throws.
    explicit RawClient(const std::filesystem::path& socket);
    /// Connects to a port of 127.0.0.1.
    explicit RawClient(unsigned port);
    ~RawClient();
    RawClient(const RawClient&) = delete;
    RawClient& operator=(const RawClient&) = delete;

    /// Sends as much as the server takes. False if the server has closed the connection.
    bool send(std::string_view bytes) const;
    /// Closes the sending side and keeps reading.
    void finish_sending() const;
    /// Reads one answer; nothing if the connection ends first. Throws after half a minute.
    [[nodiscard]] std::optional<RawAnswer> receive(bool is_to_head = false);
    /// What has arrived so far, framing included, without waiting.
    [[nodiscard]] std::string take();
    /// True if the server closes the connection before it sends anything more.
    [[nodiscard]] bool is_closed();

private:
    bool receive_more();

    int descriptor_ = -1;
    std::string received_;
};

/// Sends one GET on a connection of its own.
[[nodiscard]] RawAnswer get(const std::filesystem::path& socket, std::string_view target);

}  // namespace tickledger::test
