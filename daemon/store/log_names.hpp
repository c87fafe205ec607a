// The names of the message log's files. There is one for each UTC day, and the log runs in the order of the
// names.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "store/files.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// "2026-03-01.jsonl" for any instant of that UTC day.
[[nodiscard]] std::string log_file_name(Instant stamp);

/// The first instant of the day that a file belongs to. Nothing if the name is not one of the log's.
[[nodiscard]] std::optional<Instant> day_of_log_file(std::string_view name);

/// The log's files in a directory, in order. Other files are ignored.
[[nodiscard]] Result<std::vector<std::string>> log_files(Files& files,
                                                         const std::filesystem::path& directory);

}  // namespace tickledger
