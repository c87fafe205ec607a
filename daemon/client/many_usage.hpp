// The usage of several meters beside each other, and of weeks.
#pragma once

#include <vector>

#include "client/names.hpp"

namespace tickledger {

/// Days of a `usage` answer as weeks of ISO 8601, which begin on Mondays; the first and the last may be cut
/// by the range. A week without any data has none.
[[nodiscard]] Json weekly(Json usage);

/// A row a meter, a column a row of usage, in litres; sums of groups, of all (water that passed a main meter
/// counts once), and what of a main meter's water no meter below it saw. `documents` are `usage` answers of
/// one range and step. Where the columns are wider than `width` (0: any), only each meter's sum is shown.
[[nodiscard]] std::string usage_of_many(const std::vector<Json>& documents, const Names& names,
                                        std::size_t width);

/// The same as CSV (RFC 4180) with a column a meter: from, to, then litres, empty where nothing is known.
[[nodiscard]] std::string wide_csv(const std::vector<Json>& documents);

}  // namespace tickledger
