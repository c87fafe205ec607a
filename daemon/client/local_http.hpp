// Asks the daemon over its local socket.
#pragma once

#include <filesystem>
#include <functional>
#include <string>

#include "tickledger/result.hpp"

namespace tickledger {

struct Answer {
    unsigned status = 0;
    /// Unchanged, but without the newline at its end.
    std::string body;
};

/// A request to the daemon.
struct Asked {
    std::string target;
    std::string method = "GET";
    std::string body = {};  ///< JSON.
};

/// Sends a request over the socket at `socket` and waits for the whole answer as long as parts of it keep
/// coming. Fails, with what to do, if nobody answers or the answer breaks off.
[[nodiscard]] Result<Answer> ask(const std::filesystem::path& socket, const Asked& asked);

/// One server-sent event.
struct StreamEvent {
    std::string name;
    std::string data;
};

/// Requests a stream and passes its events on as they come. Returns status 200 without a body once the stream
/// has ended, broken off or been silent for a minute. If the answer is not a stream, returns that answer.
/// Fails if nobody answers.
[[nodiscard]] Result<Answer> listen(const std::filesystem::path& socket, const std::string& target,
                                    const std::function<void(const StreamEvent&)>& on_event);

}  // namespace tickledger
