// Reads a file that contains a password or a token.
#pragma once

#include <string>
#include <string_view>

#include "tickledger/result.hpp"

namespace tickledger {

/// The first line of the file. For the error's words, `what` names the secret ("password") and `option` the
/// setting ("broker.password_file"). Fails if every user of the machine has any permission on the file, or if
/// the first line is empty. The file's group may have permissions, because a service user gets access that
/// way.
[[nodiscard]] Result<std::string> read_secret(const std::string& file, std::string_view what,
                                              std::string_view option);

}  // namespace tickledger
