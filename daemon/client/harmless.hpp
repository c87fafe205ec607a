// The daemon's answers before they are shown: topics, payloads and names in them were written by strangers.
#pragma once

#include <nlohmann/json_fwd.hpp>

namespace tickledger {

/// The document with every text as harmless_text has it (core/harmless.hpp). `for_spreadsheet`: a text that a
/// spreadsheet takes for a formula, because it begins with =, +, - or @, gets an apostrophe before it.
/// Numbers stay numbers.
[[nodiscard]] nlohmann::ordered_json harmless(nlohmann::ordered_json document, bool for_spreadsheet = false);

}  // namespace tickledger
