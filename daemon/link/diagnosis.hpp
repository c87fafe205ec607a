// Describes what is wrong with a connection to the broker. The MQTT client library only reports that it
// failed.
#pragma once

#include <string>
#include <vector>

#include "link/connection.hpp"

namespace tickledger {

/// Why an attempt failed, where, and what to do, as a sentence without its full stop. `code` is that of
/// ConnectionOwner::failed. If the broker gave no code, the connection is tried again as far as TCP and TLS
/// to find the reason. That takes a few seconds at most, plus the system's name look-up.
[[nodiscard]] std::string why_failed(const ConnectionSettings& settings, int code);

/// Which subscriptions the broker refused or, if none, granted with QoS 0 only, as such a sentence. Empty if
/// all is well.
[[nodiscard]] std::string trouble_with(const ConnectionSettings& settings, const std::vector<Grant>& grants);

}  // namespace tickledger
