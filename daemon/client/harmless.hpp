// Makes the daemon's answers safe to show: their topics, payloads and names were written by strangers.
#pragma once

#include <nlohmann/json_fwd.hpp>

namespace tickledger {

/// The document with harmless_text (core/harmless.hpp) applied to every text; numbers stay numbers. With
/// `for_spreadsheet` a text that a spreadsheet would take for a formula, because it begins with =, +, - or @,
/// gets an apostrophe before it.
[[nodiscard]] nlohmann::ordered_json harmless(nlohmann::ordered_json document, bool for_spreadsheet = false);

}  // namespace tickledger
