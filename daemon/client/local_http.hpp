// Asks the daemon over its local socket.
#pragma once

#include <filesystem>
#include <functional>
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

/// One of server-sent events.
struct StreamEvent {
    std::string name;
    std::string data;
};

/// Asks for a stream and hands its events on as they come. Returns once the stream has ended, broken off or
/// been silent for a minute: status 200 and no body; or the answer where it is none. Fails where nobody
/// answers.
[[nodiscard]] Result<Answer> listen(const std::filesystem::path& socket, const std::string& target,
                                    const std::function<void(const StreamEvent&)>& on_event);

}  // namespace tickledger
