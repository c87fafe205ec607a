// The files that prove who we are, and who the broker is.
#pragma once

#include <string>

#include "configuration/configuration.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The first line of `broker.password_file`; empty where none is configured. Refuses a file that
/// everyone on the machine may read or write (its group may: that is how a service user gets it), an empty
/// one, and a password without a username (MQTT 3.1.1, MQTT-3.1.2-22).
[[nodiscard]] Result<std::string> read_password(const BrokerSettings& settings);

/// Checks that the certificate and key files that are configured can be read.
[[nodiscard]] Result<void> check_tls_files(const BrokerSettings& settings);

}  // namespace tickledger
