// Lines for the journal, with its levels.
#pragma once

#include <string_view>

#include "engine/tell.hpp"

namespace tickledger {

/// Writes one line to standard error; under systemd with the level's prefix (sd-daemon(3)). What says the
/// same over and over is left out (service/line_limiter.hpp). Thread-safe.
void journal(Level level, std::string_view text);

/// The same for what answers a person, who waits for it each time: written however often it was said.
void journal_answer(Level level, std::string_view text);

}  // namespace tickledger
