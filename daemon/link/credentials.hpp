// The files that authenticate us to the broker, and the broker to us.
#pragma once

#include <string>

#include "configuration/configuration.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The first line of `broker.password_file`, or an empty string if none is configured. Fails if that line is
/// empty or everyone on the machine may read or write the file. Its group may read it, because a service user
/// gets access that way. Also fails for a password without a username (MQTT 3.1.1, MQTT-3.1.2-22).
[[nodiscard]] Result<std::string> read_password(const BrokerSettings& settings);

/// Checks that the configured certificate and key files can be read.
[[nodiscard]] Result<void> check_tls_files(const BrokerSettings& settings);

}  // namespace tickledger
