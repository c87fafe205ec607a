#include "link/address.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cerrno>
#include <charconv>
#include <memory>
#include <optional>
#include <system_error>

namespace tickledger {
namespace {

std::string words_of(int error_number) {
    std::string words = std::generic_category().message(error_number);
    if (!words.empty()) words[0] = static_cast<char>(std::tolower(static_cast<unsigned char>(words[0])));
    return words;
}

std::optional<std::uint16_t> parse_port(std::string_view text) {
    std::uint16_t port = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), port);
    if (error != std::errc{} || end != text.data() + text.size() || port == 0) return std::nullopt;
    return port;
}

class Socket {
public:
    explicit Socket(int descriptor) : descriptor_(descriptor) {}
    Socket(const Socket&) = delete;
    Socket& operator=(const Socket&) = delete;
    ~Socket() {
        if (descriptor_ >= 0) ::close(descriptor_);
    }
    [[nodiscard]] int get() const { return descriptor_; }

private:
    int descriptor_;
};

/// Tries to connect for at most `wait`. Returns 0 or the system's error number.
int try_connect(const addrinfo& to, Duration wait) {
    const Socket socket(
        ::socket(to.ai_family, to.ai_socktype | SOCK_NONBLOCK | SOCK_CLOEXEC, to.ai_protocol));
    if (socket.get() < 0) return errno;
    if (::connect(socket.get(), to.ai_addr, to.ai_addrlen) == 0) return 0;
    if (errno != EINPROGRESS) return errno;
    pollfd ready{socket.get(), POLLOUT, 0};
    const auto wait_ms = std::chrono::duration_cast<std::chrono::milliseconds>(wait).count();
    if (::poll(&ready, 1, static_cast<int>(wait_ms)) <= 0) return ETIMEDOUT;
    int error = 0;
    socklen_t length = sizeof error;
    return ::getsockopt(socket.get(), SOL_SOCKET, SO_ERROR, &error, &length) == 0 ? error : errno;
}

/// The peer's port of a connected TCP socket; 0 for every other descriptor.
std::uint16_t peer_port_of(int descriptor) {
    sockaddr_storage peer{};
    socklen_t length = sizeof peer;
    if (::getpeername(descriptor, reinterpret_cast<sockaddr*>(&peer), &length) != 0) return 0;
    if (peer.ss_family == AF_INET) return ntohs(reinterpret_cast<const sockaddr_in&>(peer).sin_port);
    if (peer.ss_family == AF_INET6) return ntohs(reinterpret_cast<const sockaddr_in6&>(peer).sin6_port);
    return 0;
}

}  // namespace

std::string BrokerAddress::server_uri() const {
    const bool is_ipv6 = host.find(':') != std::string::npos;
    return fmt::format("{}://{}{}{}:{}", tls ? "ssl" : "tcp", is_ipv6 ? "[" : "", host, is_ipv6 ? "]" : "",
                       port);
}

Result<BrokerAddress> parse_broker_address(std::string_view url) {
    const auto wrong = [url](std::string_view what) {
        return fail(
            fmt::format("broker.url `{}` {}; write it as mqtt://HOST:PORT or mqtts://HOST:PORT", url, what));
    };
    BrokerAddress address;
    address.url = url;
    std::string_view rest = url;
    if (rest.starts_with("mqtts://")) {
        address.tls = true;
        address.port = 8883;
        rest.remove_prefix(8);
    } else if (rest.starts_with("mqtt://")) {
        rest.remove_prefix(7);
    } else {
        return wrong("begins with neither mqtt:// nor mqtts://");
    }
    if (rest.ends_with('/')) rest.remove_suffix(1);
    if (rest.find('@') != std::string_view::npos) {
        return wrong("holds a user; give broker.username and broker.password_file instead");
    }
    if (rest.find_first_of("/?# ") != std::string_view::npos)
        return wrong("holds more than a host and a port");
    std::string_view port;
    if (rest.starts_with('[')) {
        const auto bracket = rest.find(']');
        if (bracket == std::string_view::npos) return wrong("lacks the bracket that closes the IPv6 address");
        address.host = rest.substr(1, bracket - 1);
        port = rest.substr(bracket + 1);
    } else {
        const auto colon = rest.find(':');
        address.host = rest.substr(0, colon);
        if (colon != std::string_view::npos) port = rest.substr(colon);
    }
    if (address.host.empty()) return wrong("has no host");
    if (!port.empty()) {
        const auto number = port[0] == ':' ? parse_port(port.substr(1)) : std::nullopt;
        if (!number) return wrong("has a port that is not a number from 1 to 65535");
        address.port = *number;
    }
    return address;
}

std::string why_unreachable(const BrokerAddress& address, Duration wait) {
    addrinfo hints{};
    hints.ai_socktype = SOCK_STREAM;
    addrinfo* found = nullptr;
    const int looked_up =
        ::getaddrinfo(address.host.c_str(), std::to_string(address.port).c_str(), &hints, &found);
    if (looked_up != 0) {
        return fmt::format(
            "the broker's host `{}` is not found ({}); is the network up, and is broker.url right?",
            address.host, ::gai_strerror(looked_up));
    }
    const std::unique_ptr<addrinfo, decltype(&::freeaddrinfo)> addresses(found, &::freeaddrinfo);
    int error = 0;
    for (const addrinfo* each = found; each != nullptr; each = each->ai_next) {
        error = try_connect(*each, wait);
        if (error == 0) return {};
    }
    if (error == ECONNREFUSED) {
        return fmt::format("the broker at {} refuses the connection (connection refused); is it running?",
                           address.url);
    }
    return fmt::format("the broker at {} cannot be reached ({}); is the network up?", address.url,
                       words_of(error));
}

void cut_connections_to_port(std::uint16_t peer_port) {
    // Trying every possible descriptor avoids /proc, which a sandbox may hide. This runs rarely.
    rlimit limit{};
    constexpr rlim_t most = 1U << 20U;
    const rlim_t count = ::getrlimit(RLIMIT_NOFILE, &limit) == 0 ? std::min(limit.rlim_cur, most) : most;
    for (int descriptor = 0; descriptor < static_cast<int>(count); ++descriptor) {
        if (peer_port_of(descriptor) == peer_port) ::shutdown(descriptor, SHUT_RDWR);
    }
}

}  // namespace tickledger
