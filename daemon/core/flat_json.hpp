// The JSON that nodes nearly always send, read by the quicker of the two libraries.
//
// The general parser calls back for each token and keeps a path; this way is one pass and a look at each
// member. docs/performance.md tells what it saves of a replay.
#pragma once

#include <span>
#include <string_view>

#include "core/json_fields.hpp"

namespace tickledger {

/// Reads one object whose members are texts, whole numbers of 64 bits, true, false and null. False where the
/// text is anything else, or states a field twice; the fields' values are then absent. True: the values are
/// those that read_json_fields() finds.
[[nodiscard]] bool read_flat_json(std::string_view text, std::span<JsonField> fields);

}  // namespace tickledger
