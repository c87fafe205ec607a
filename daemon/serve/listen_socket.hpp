// The sockets that the API listens on: a path in the file system, or a TCP port.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <string>
#include <string_view>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// A listening socket. Owns the descriptor and, until it is destroyed, the socket's file.
class ListenSocket {
public:
    /// Listens on a path; its file has `mode` before anyone can connect. Replaces a socket file on which
    /// nobody answers, because a killed daemon left it. Fails if somebody answers, if the file is not a
    /// socket, or if the directory does not allow it; the error names the path and what to do. `group`: the
    /// group of the file; empty: the process's.
    [[nodiscard]] static Result<ListenSocket> on_path(const std::filesystem::path& path, unsigned mode,
                                                      const std::string& group = {});

    /// Who may reach an address. Without a token the API does not ask callers who they are.
    enum class Reach : std::uint8_t { loopback, everyone };
    /// Listens on "ADDRESS:PORT" ("127.0.0.1:8470", "[::1]:8470", "localhost:8470"). Refuses an address that
    /// reaches further than `reach`. Port 0: the system chooses.
    [[nodiscard]] static Result<ListenSocket> on_tcp(std::string_view address_and_port, Reach reach);

    ListenSocket(ListenSocket&& other) noexcept;
    ListenSocket& operator=(ListenSocket&& other) noexcept;
    ~ListenSocket();

    /// AF_UNIX, AF_INET or AF_INET6.
    [[nodiscard]] int family() const { return family_; }
    [[nodiscard]] unsigned port() const { return port_; }
    /// Hands the descriptor over. This object keeps the socket's file.
    [[nodiscard]] int release() { return std::exchange(descriptor_, -1); }

private:
    ListenSocket(int descriptor, int family) : descriptor_(descriptor), family_(family) {}
    void give_up();

    int descriptor_ = -1;
    int family_ = 0;
    unsigned port_ = 0;
    std::filesystem::path path_;
    // Identifies our file: another daemon may have replaced it since.
    dev_t device_ = 0;
    ino_t inode_ = 0;
};

}  // namespace tickledger
