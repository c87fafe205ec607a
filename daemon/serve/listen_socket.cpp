#include "serve/listen_socket.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <grp.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <charconv>
#include <cstring>
#include <optional>

namespace tickledger {

namespace {

constexpr int waiting_connections = 128;

std::string reason(int error_number) {
    return std::strerror(error_number);
}

sockaddr_un address_of(const std::string& path) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::memcpy(static_cast<char*>(address.sun_path), path.c_str(), path.size() + 1);
    return address;
}

const sockaddr* generic(const auto& address) {
    return reinterpret_cast<const sockaddr*>(&address);
}

// Connects without waiting. Returns 0 or the errno. EAGAIN, a full queue, also means that somebody answers.
int try_connect(const sockaddr_un& address) {
    const int descriptor = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (descriptor < 0) return errno;
    const int error_number = ::connect(descriptor, generic(address), sizeof address) == 0 ? 0 : errno;
    ::close(descriptor);
    return error_number;
}

// Clears the path for our socket: succeeds if it is free or holds a socket on which nobody answers.
Result<void> clear_path(const std::string& path, const sockaddr_un& address) {
    struct stat status {};
    if (::lstat(path.c_str(), &status) != 0) {
        if (errno == ENOENT) return {};
        return fail(
            fmt::format("The socket's path {} cannot be examined ({}). Check [socket] path and the rights "
                        "of its directory.",
                        path, reason(errno)));
    }
    if (!S_ISSOCK(status.st_mode)) {
        return fail(
            fmt::format("{} exists and is not a socket, so it is left alone. Move it away or set another "
                        "[socket] path.",
                        path));
    }
    const int error_number = try_connect(address);
    if (error_number == 0 || error_number == EAGAIN) {
        return fail(
            fmt::format("Another process answers on {}. Stop it first, or set another [socket] path.", path));
    }
    if (error_number != ECONNREFUSED && error_number != ENOENT) {
        return fail(
            fmt::format("A socket exists at {}, but it is not known whether a process answers on it ({}). "
                        "Stop what uses it, remove the file, and start again.",
                        path, reason(error_number)));
    }
    if (::unlink(path.c_str()) != 0 && errno != ENOENT) {
        return fail(
            fmt::format("The socket file {} is left over and cannot be removed ({}). Remove it by hand.",
                        path, reason(errno)));
    }
    return {};
}

Result<void> give_to_group(const std::string& path, const std::string& group) {
    if (group.empty()) return {};
    errno = 0;
    const struct group* found = ::getgrnam(group.c_str());
    if (!found) {
        return fail(fmt::format("There is no group {} on this machine. Create it, or correct [socket] group.",
                                group));
    }
    if (::chown(path.c_str(), static_cast<uid_t>(-1), found->gr_gid) == 0) return {};
    return fail(
        fmt::format("The socket {} cannot be given to the group {} ({}). The daemon's user must be in it.",
                    path, group, reason(errno)));
}

struct TcpAddress {
    int family = AF_INET;
    sockaddr_in v4{};
    sockaddr_in6 v6{};
};

// Splits "ADDRESS:PORT"; an IPv6 address has brackets.
std::optional<std::pair<std::string, std::uint16_t>> split(std::string_view text) {
    const auto colon = text.rfind(':');
    if (colon == std::string_view::npos) return std::nullopt;
    std::string_view host = text.substr(0, colon);
    const std::string_view digits = text.substr(colon + 1);
    std::uint16_t port = 0;
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), port);
    if (error != std::errc{} || end != digits.data() + digits.size()) return std::nullopt;
    if (host.size() > 2 && host.front() == '[' && host.back() == ']') host = host.substr(1, host.size() - 2);
    return std::pair{std::string(host == "localhost" ? "127.0.0.1" : host), port};
}

Result<TcpAddress> read_address(std::string_view text, ListenSocket::Reach reach) {
    const bool may_be_any = reach == ListenSocket::Reach::everyone;
    const auto parts = split(text);
    TcpAddress address;
    if (parts && ::inet_pton(AF_INET, parts->first.c_str(), &address.v4.sin_addr) == 1) {
        address.v4.sin_family = AF_INET;
        address.v4.sin_port = htons(parts->second);
        if (may_be_any || ntohl(address.v4.sin_addr.s_addr) >> 24 == 127) return address;
    } else if (parts && ::inet_pton(AF_INET6, parts->first.c_str(), &address.v6.sin6_addr) == 1) {
        address.family = AF_INET6;
        address.v6.sin6_family = AF_INET6;
        address.v6.sin6_port = htons(parts->second);
        if (may_be_any || IN6_IS_ADDR_LOOPBACK(&address.v6.sin6_addr)) return address;
    } else {
        return fail(
            fmt::format("[socket] http is \"{}\". Write ADDRESS:PORT, as in \"127.0.0.1:8470\".", text));
    }
    return fail(
        fmt::format("[socket] http is \"{}\", which other machines could reach, and there is no [socket] "
                    "token_file, so nobody would need a token. Write \"127.0.0.1:{}\", or set token_file.",
                    text, parts->second));
}

}  // namespace

Result<ListenSocket> ListenSocket::on_path(const std::filesystem::path& path, unsigned mode,
                                           const std::string& group) {
    const std::string name = path.string();
    if (name.empty() || name.size() >= sizeof(sockaddr_un::sun_path)) {
        return fail(
            fmt::format("The socket's path \"{}\" has {} characters; the system takes 1 to {}. Set a shorter "
                        "[socket] path.",
                        name, name.size(), sizeof(sockaddr_un::sun_path) - 1));
    }
    const sockaddr_un address = address_of(name);
    if (auto cleared = clear_path(name, address); !cleared) return tl::unexpected(cleared.error());

    const int descriptor = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (descriptor < 0) return fail(fmt::format("No socket can be made for {} ({}).", name, reason(errno)));
    ListenSocket made(descriptor, AF_UNIX);
    if (::bind(descriptor, generic(address), sizeof address) != 0) {
        return fail(fmt::format(
            "The socket {} cannot be made ({}). Its directory must exist and allow writing: check "
            "[socket] path.",
            name, reason(errno)));
    }
    made.path_ = path;
    struct stat status {};
    if (::lstat(name.c_str(), &status) == 0) {
        made.device_ = status.st_dev;
        made.inode_ = status.st_ino;
    }
    if (auto given = give_to_group(name, group); !given) return tl::unexpected(given.error());
    // Nobody can connect before listen(), so nobody can use the mode that the umask gave.
    if (::chmod(name.c_str(), static_cast<mode_t>(mode)) != 0) {
        return fail(fmt::format("The socket {} cannot be given the mode {:04o} ({}). Check [socket] mode.",
                                name, mode, reason(errno)));
    }
    if (::listen(descriptor, waiting_connections) != 0) {
        return fail(fmt::format("The socket {} cannot be listened on ({}).", name, reason(errno)));
    }
    return made;
}

Result<ListenSocket> ListenSocket::on_tcp(std::string_view address_and_port, Reach reach) {
    const auto address = read_address(address_and_port, reach);
    if (!address) return tl::unexpected(address.error());
    const bool is_v6 = address->family == AF_INET6;

    const int descriptor = ::socket(address->family, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (descriptor < 0)
        return fail(fmt::format("No socket can be made for {} ({}).", address_and_port, reason(errno)));
    ListenSocket made(descriptor, address->family);
    const int yes = 1;
    ::setsockopt(descriptor, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    const int bound = is_v6 ? ::bind(descriptor, generic(address->v6), sizeof address->v6)
                            : ::bind(descriptor, generic(address->v4), sizeof address->v4);
    if (bound != 0 || ::listen(descriptor, waiting_connections) != 0) {
        return fail(fmt::format(
            "{} cannot be listened on ({}). Stop what uses the port, or set another [socket] http.",
            address_and_port, reason(errno)));
    }
    sockaddr_storage actual{};
    socklen_t length = sizeof actual;
    ::getsockname(descriptor, reinterpret_cast<sockaddr*>(&actual), &length);
    made.port_ = ntohs(is_v6 ? reinterpret_cast<const sockaddr_in6&>(actual).sin6_port
                             : reinterpret_cast<const sockaddr_in&>(actual).sin_port);
    return made;
}

ListenSocket::ListenSocket(ListenSocket&& other) noexcept
    : descriptor_(std::exchange(other.descriptor_, -1)),
      family_(other.family_),
      port_(other.port_),
      path_(std::exchange(other.path_, {})),
      device_(other.device_),
      inode_(other.inode_) {}

ListenSocket& ListenSocket::operator=(ListenSocket&& other) noexcept {
    if (this == &other) return *this;
    give_up();
    descriptor_ = std::exchange(other.descriptor_, -1);
    family_ = other.family_;
    port_ = other.port_;
    path_ = std::exchange(other.path_, {});
    device_ = other.device_;
    inode_ = other.inode_;
    return *this;
}

ListenSocket::~ListenSocket() {
    give_up();
}

void ListenSocket::give_up() {
    if (descriptor_ >= 0) ::close(std::exchange(descriptor_, -1));
    if (path_.empty()) return;
    struct stat status {};
    if (::lstat(path_.c_str(), &status) == 0 && status.st_dev == device_ && status.st_ino == inode_) {
        ::unlink(path_.c_str());
    }
    path_.clear();
}

}  // namespace tickledger
