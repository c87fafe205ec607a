// Why a connection to the broker failed, in words. The MQTT client library only says that it did.
#pragma once

#include <string>

#include "link/connection.hpp"

namespace tickledger {

/// A sentence without its full stop on a failed attempt: what is wrong, where, what to do. `code` as in
/// ConnectionOwner::failed. Where the broker gave no code, it is asked again, up to TCP and TLS, so that
/// the reason has a name; takes a few seconds at most, and as long as the system's name look-up takes.
[[nodiscard]] std::string why_failed(const ConnectionSettings& settings, int code);

}  // namespace tickledger
