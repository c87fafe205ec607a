// Which columns of a file hold the times and the volumes, and how they are written.
#pragma once

#include <string>
#include <vector>

#include "client/import/csv.hpp"
#include "client/import/readings_file.hpp"

namespace tickledger {

struct Columns {
    bool has_names = false;  ///< The first row holds names.
    std::size_t time = 0;
    std::size_t volume = 0;
    bool is_consumption = false;
    std::string unit;
    char decimal = '.';
    DateOrder dates = DateOrder::unknown;
    /// As a person would name them.
    std::string time_name;
    std::string volume_name;
};

/// Finds what was not told. Fails with the option that would help. Precondition: there is a row.
[[nodiscard]] Result<Columns> find_columns(const std::vector<CsvRow>& rows, const FileOrder& order);

}  // namespace tickledger
