// Shows the usage of several meters side by side, and sums days to weeks.
#pragma once

#include <vector>

#include "client/names.hpp"

namespace tickledger {

/// Sums the days of a `usage` answer to weeks of ISO 8601, which begin on Mondays. The range may cut the
/// first and the last week. A week without any data has null volumes.
[[nodiscard]] Json weekly(Json usage);

/// A table in litres with one line for each meter and one column for each row of usage. It has sums for
/// groups and for all meters; water that passed a main meter counts once in them. It also shows how much of a
/// main meter's water no meter below it saw. `documents` are `usage` answers of one range and step. If the
/// table is wider than `width` (0: unlimited), only each meter's sum is shown.
[[nodiscard]] std::string usage_of_many(const std::vector<Json>& documents, const Names& names,
                                        std::size_t width);

/// The same as CSV (RFC 4180): from, to, then one column of litres for each meter, empty if unknown.
[[nodiscard]] std::string wide_csv(const std::vector<Json>& documents);

}  // namespace tickledger
