// The JSON that nodes nearly always send, read by the faster of the two libraries.
//
// The general parser calls back for each token and keeps a path. This one makes one pass and looks at each
// member. docs/performance.md shows what it saves in a replay.
#pragma once

#include <span>
#include <string_view>

#include "core/json_fields.hpp"

namespace tickledger {

/// Reads one object whose members are texts, whole numbers of 64 bits, true, false and null. True: the fields
/// have the values that read_json_fields() finds. False: the text is anything else, or contains a field
/// twice; the fields' values are then absent.
[[nodiscard]] bool read_flat_json(std::string_view text, std::span<JsonField> fields);

}  // namespace tickledger
