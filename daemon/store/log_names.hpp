// The names of the message log's files: one for each UTC day, in whose order the log runs.
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

/// The first instant of the day whose file this is; nothing for a name that is none of the log's.
[[nodiscard]] std::optional<Instant> day_of_log_file(std::string_view name);

/// The log's files in a directory, in order. Other files are ignored.
[[nodiscard]] Result<std::vector<std::string>> log_files(Files& files,
                                                         const std::filesystem::path& directory);

}  // namespace tickledger
