// Asks the daemon over its local socket.
#pragma once

#include <filesystem>
#include <string>

#include "tickledger/result.hpp"

namespace tickledger {

struct Answer {
    unsigned status = 0;
    /// As it came, without the newline at its end.
    std::string body;
};

/// What is asked of the daemon.
struct Asked {
    std::string target;
    std::string method = "GET";
    std::string body = {};  ///< JSON.
};

/// Asks over the socket at `socket`, waiting for the whole answer as long as parts of it keep coming. Fails,
/// with what to do, where nobody answers or the answer breaks off.
[[nodiscard]] Result<Answer> ask(const std::filesystem::path& socket, const Asked& asked);

}  // namespace tickledger
