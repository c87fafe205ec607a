// What is wrong with a connection to the broker, in words. The MQTT client library only says that it failed.
#pragma once

#include <string>
#include <vector>

#include "link/connection.hpp"

namespace tickledger {

/// A sentence without its full stop on a failed attempt: what is wrong, where, what to do. `code` as in
/// ConnectionOwner::failed. Where the broker gave no code, it is asked again, up to TCP and TLS, so that
/// the reason has a name; takes a few seconds at most, and as long as the system's name look-up takes.
[[nodiscard]] std::string why_failed(const ConnectionSettings& settings, int code);

/// Which subscriptions the broker refused, or else granted too weakly, in such a sentence; empty where all is
/// well.
[[nodiscard]] std::string trouble_with(const ConnectionSettings& settings, const std::vector<Grant>& grants);

}  // namespace tickledger
