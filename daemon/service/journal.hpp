// Lines for the journal, with its levels.
#pragma once

#include <string_view>

namespace tickledger {

enum class Level : unsigned char { error, warning, notice, info };

/// Writes one line to standard error; under systemd with the level's prefix (sd-daemon(3)). What says the
/// same over and over is left out (service/line_limiter.hpp). Thread-safe.
void journal(Level level, std::string_view text);

}  // namespace tickledger
