// Times in words, for people. Documents that programs read use RFC 3339 instead.
#pragma once

#include <string>

#include "tickledger/civil.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// The site's civil time, cut to the minute: "2026-03-05 14:02". A time that its clock shows twice has the
/// offset too: "2026-10-25 02:30+01:00".
[[nodiscard]] std::string in_words(Instant t, const CivilZone& zone);
/// "between 2026-11-29 01:00 and 05:00"; the date is repeated if it differs. "at 2026-11-29 05:00" if both
/// are in one minute.
[[nodiscard]] std::string in_words(Span span, const CivilZone& zone);
/// "1 hour 30 minutes": the largest unit and the next one below it. The rest is cut off. Units are days (from
/// two days on), hours, minutes and seconds.
[[nodiscard]] std::string in_words(Duration length);

}  // namespace tickledger
