// How single values stand in the client's tables.
#pragma once

#include <initializer_list>
#include <nlohmann/json.hpp>
#include <string>

namespace tickledger {

using Json = nlohmann::ordered_json;

/// The text of an unknown value. It must never look like zero.
inline const std::string no_data = "no data";

/// "2026-03-01T08:00:00+01:00" as "2026-03-01 08:00", with the seconds where there are any.
[[nodiscard]] std::string civil(const std::string& time);
[[nodiscard]] std::string civil(const Json& time, const std::string& absent);
/// "+01:00" or "Z".
[[nodiscard]] std::string offset_of(const std::string& time);
[[nodiscard]] std::string number(const Json& value, int digits);
[[nodiscard]] std::string whole(const Json& value);
/// "1 tick", "2 ticks".
[[nodiscard]] std::string counted(std::int64_t count, const char* one, const char* many);
/// The length of what has a `from` and a `to`, to the nearest second; 0 where they are no times.
[[nodiscard]] std::int64_t length_s(const Json& span);
/// Adds a note to others.
void append(std::string& notes, const std::string& note);
/// One record for each of a list, with these members; before them the same first field in each.
[[nodiscard]] std::string csv_of(const Json& list, std::initializer_list<const char*> members,
                                 const Json* first = nullptr);

}  // namespace tickledger
