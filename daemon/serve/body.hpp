// Reads the members of a request's body by name, numbers as exact decimals.
#pragma once

#include <optional>
#include <span>

#include "core/json_fields.hpp"
#include "serve/call.hpp"

namespace tickledger {

/// Fills in the fields; their pointers name members of the body's object. An empty body counts as an empty
/// object. Refuses a member that no field names, so that a misspelt one is not ignored.
[[nodiscard]] OrProblem<void> read_body(const Request& request, std::span<JsonField> fields);

/// A volume as a person states it.
struct ToldVolume {
    std::int64_t volume_ul = 0;
    /// The value of one unit in its last digit.
    std::int64_t given_to_ul = 1;
};

/// The volume given in the body. `cubic_metres`: a number, or its text. `with_unit`: a text such as "43613.2
/// ft3". Exactly one of them must be given.
[[nodiscard]] OrProblem<ToldVolume> volume_in(const JsonField& cubic_metres, const JsonField& with_unit);
/// A civil date or an RFC 3339 time; nothing if the field is not given.
[[nodiscard]] OrProblem<std::optional<Instant>> instant_in(const JsonField& field, const CivilZone& zone);
[[nodiscard]] OrProblem<std::optional<bool>> flag_in(const JsonField& field);
[[nodiscard]] OrProblem<std::optional<std::string>> text_in(const JsonField& field);

}  // namespace tickledger
