// The sockets that the API listens on: a path in the file system, or a port on loopback.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <string>
#include <string_view>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// A listening socket. Owns the descriptor and, until it is destroyed, the file of the path.
class ListenSocket {
public:
    /// Listens on a path, with `mode` on its file before anyone can connect. A socket file on which nobody
    /// answers is left over from a daemon that was killed, and is replaced. Fails, naming the path and what
    /// to do, where somebody answers, where the file is no socket, and where the directory does not allow it.
    /// `group`: whose the file is to be; empty: the process's.
    [[nodiscard]] static Result<ListenSocket> on_path(const std::filesystem::path& path, unsigned mode,
                                                      const std::string& group = {});

    /// Who may reach an address. Without a token the API asks nobody who he is.
    enum class Reach : std::uint8_t { loopback, everyone };
    /// Listens on "ADDRESS:PORT" ("127.0.0.1:8470", "[::1]:8470", "localhost:8470"); refuses one that reaches
    /// further than it may. Port 0: the system chooses.
    [[nodiscard]] static Result<ListenSocket> on_tcp(std::string_view address_and_port, Reach reach);

    ListenSocket(ListenSocket&& other) noexcept;
    ListenSocket& operator=(ListenSocket&& other) noexcept;
    ~ListenSocket();

    /// AF_UNIX, AF_INET or AF_INET6.
    [[nodiscard]] int family() const { return family_; }
    [[nodiscard]] unsigned port() const { return port_; }
    /// Hands the descriptor over; the socket's file stays this object's.
    [[nodiscard]] int release() { return std::exchange(descriptor_, -1); }

private:
    ListenSocket(int descriptor, int family) : descriptor_(descriptor), family_(family) {}
    void give_up();

    int descriptor_ = -1;
    int family_ = 0;
    unsigned port_ = 0;
    std::filesystem::path path_;
    // Which file is ours: another daemon may have put its own in the same place since.
    dev_t device_ = 0;
    ino_t inode_ = 0;
};

}  // namespace tickledger
