// Formats single values for the client's tables.
#pragma once

#include <initializer_list>
#include <nlohmann/json.hpp>
#include <string>

namespace tickledger {

using Json = nlohmann::ordered_json;

/// The text for an unknown value, which must never look like zero.
inline const std::string no_data = "no data";

/// "2026-03-01T08:00:00+01:00" as "2026-03-01 08:00", with seconds if they are not zero.
[[nodiscard]] std::string civil(const std::string& time);
[[nodiscard]] std::string civil(const Json& time, const std::string& absent);
/// "+01:00" or "Z".
[[nodiscard]] std::string offset_of(const std::string& time);
[[nodiscard]] std::string number(const Json& value, int digits);
[[nodiscard]] std::string whole(const Json& value);
/// "1 tick", "2 ticks".
[[nodiscard]] std::string counted(std::int64_t count, const char* one, const char* many);
/// The time between the members `from` and `to`, to the nearest second; 0 if they are not times.
[[nodiscard]] std::int64_t length_s(const Json& span);
/// Appends a note to `notes`, separated by a semicolon.
void append(std::string& notes, const std::string& note);
/// One CSV record for each item of a list, with these members. If `first` is given, it is the first field of
/// each record.
[[nodiscard]] std::string csv_of(const Json& list, std::initializer_list<const char*> members,
                                 const Json* first = nullptr);

}  // namespace tickledger
