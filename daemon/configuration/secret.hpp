// A file that holds a password or a token.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// The first line of the file. `what` names it in the words ("password"), `option` where it is configured
/// ("broker.password_file"). Refuses a file that every user of the machine may read or write (its group may:
/// that is how a service user gets it), and an empty first line.
[[nodiscard]] Result<std::string> read_secret(const std::string& file, std::string_view what,
                                              std::string_view option);

}  // namespace tickledger
