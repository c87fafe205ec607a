// Records of a CSV file (RFC 4180), with any delimiter.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "tickledger/result.hpp"

namespace tickledger {

struct CsvRow {
    std::size_t line = 0;  ///< Where it begins in the file, from 1.
    std::vector<std::string> cells;
};

/// Reads all records: CRLF, LF or CR end a line; a quoted field may hold delimiters, line ends and doubled
/// quotes; a byte order mark in front and empty lines are passed over. Fails, with the line, on a quote that
/// is not closed.
[[nodiscard]] Result<std::vector<CsvRow>> read_csv(std::string_view text, char delimiter);

/// The one of ; tab , | that gives each of the first lines the same number of fields, at least two. If
/// several do, the first of them; if none does, a comma.
[[nodiscard]] char likely_delimiter(std::string_view text);

}  // namespace tickledger
