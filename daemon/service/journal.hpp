// Writes lines to the journal, each with its level.
#pragma once

#include <string_view>

#include "engine/tell.hpp"

namespace tickledger {

/// Writes one line to standard error, under systemd with the level's prefix (sd-daemon(3)). Lines that repeat
/// are left out (service/line_limiter.hpp). Thread-safe.
void journal(Level level, std::string_view text);

/// Writes a line that answers a person. It is written even if it repeats, because somebody waits for it.
void journal_answer(Level level, std::string_view text);

}  // namespace tickledger
