#include "serve/raw_client.hpp"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <stdexcept>
#include <system_error>
#include <utility>

namespace tickledger::test {

namespace {

constexpr int patience_ms = 30'000;

int connected(int family, const sockaddr* address, socklen_t length) {
    const int descriptor = ::socket(family, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (descriptor < 0 || ::connect(descriptor, address, length) != 0) {
        const int error_number = errno;
        if (descriptor >= 0) ::close(descriptor);
        throw std::system_error(error_number, std::generic_category(), "connect");
    }
    return descriptor;
}

std::string header_value(const std::string& head, std::string_view name) {
    const auto at = head.find("\r\n" + std::string(name) + ": ");
    if (at == std::string::npos) return {};
    const auto begin = at + 2 + name.size() + 2;
    return head.substr(begin, head.find("\r\n", begin) - begin);
}

}  // namespace

RawClient::RawClient(const std::filesystem::path& socket) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, socket.c_str(), sizeof address.sun_path - 1);
    descriptor_ = connected(AF_UNIX, reinterpret_cast<const sockaddr*>(&address), sizeof address);
}

RawClient::RawClient(unsigned port) {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    descriptor_ = connected(AF_INET, reinterpret_cast<const sockaddr*>(&address), sizeof address);
}

RawClient::~RawClient() {
    ::close(descriptor_);
}

bool RawClient::send(std::string_view bytes) const {
    while (!bytes.empty()) {
        const auto sent = ::send(descriptor_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
        if (sent < 0) return false;
        bytes.remove_prefix(static_cast<std::size_t>(sent));
    }
    return true;
}

void RawClient::finish_sending() const {
    ::shutdown(descriptor_, SHUT_WR);
}

bool RawClient::receive_more() {
    pollfd wanted{descriptor_, POLLIN, 0};
    if (::poll(&wanted, 1, patience_ms) != 1) throw std::runtime_error("the server did not answer in time");
    char bytes[65536];
    const auto count = ::recv(descriptor_, bytes, sizeof bytes, 0);
    if (count <= 0) return false;
    received_.append(bytes, static_cast<std::size_t>(count));
    return true;
}

std::optional<RawAnswer> RawClient::receive(bool is_to_head) {
    std::size_t head_end = 0;
    while ((head_end = received_.find("\r\n\r\n")) == std::string::npos) {
        if (!receive_more()) return std::nullopt;
    }
    RawAnswer answer;
    answer.head = received_.substr(0, head_end + 2);
    received_.erase(0, head_end + 4);
    answer.status = static_cast<unsigned>(std::stoul(answer.head.substr(9, 3)));
    if (is_to_head) return answer;
    if (const auto length = header_value(answer.head, "Content-Length"); !length.empty()) {
        while (received_.size() < std::stoul(length)) {
            if (!receive_more()) return std::nullopt;
        }
        answer.body = received_.substr(0, std::stoul(length));
        received_.erase(0, answer.body.size());
        return answer;
    }
    if (header_value(answer.head, "Transfer-Encoding").empty()) {
        while (receive_more()) {
        }
        answer.body = std::exchange(received_, {});
        return answer;
    }
    while (true) {
        std::size_t line_end = 0;
        while ((line_end = received_.find("\r\n")) == std::string::npos) {
            if (!receive_more()) return std::nullopt;
        }
        const std::size_t size = std::stoul(received_.substr(0, line_end), nullptr, 16);
        while (received_.size() < line_end + 2 + size + 2) {
            if (!receive_more()) return std::nullopt;
        }
        answer.body += received_.substr(line_end + 2, size);
        received_.erase(0, line_end + 2 + size + 2);
        if (size == 0) return answer;
    }
}

std::string RawClient::take() {
    char bytes[65536];
    for (ssize_t count = 0; (count = ::recv(descriptor_, bytes, sizeof bytes, MSG_DONTWAIT)) > 0;)
        received_.append(bytes, static_cast<std::size_t>(count));
    return std::exchange(received_, {});
}

bool RawClient::is_closed() {
    return received_.empty() && !receive_more();
}

RawAnswer get(const std::filesystem::path& socket, std::string_view target) {
    RawClient client(socket);
    client.send("GET " + std::string(target) + " HTTP/1.1\r\nHost: localhost\r\n\r\n");
    auto answer = client.receive();
    if (!answer) throw std::runtime_error("the server gave no answer to " + std::string(target));
    return *std::move(answer);
}

}  // namespace tickledger::test
