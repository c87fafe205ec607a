#include "store/log_names.hpp"

#include <date/date.h>

#include <algorithm>

namespace tickledger {

namespace {
constexpr std::string_view extension = ".jsonl";
constexpr std::size_t date_length = 10;
}  // namespace

std::string log_file_name(Instant stamp) {
    return format_utc(stamp).substr(0, date_length) + std::string(extension);
}

std::optional<Instant> day_of_log_file(std::string_view name) {
    if (name.size() != date_length + extension.size() || !name.ends_with(extension)) return std::nullopt;
    const auto midnight = parse_rfc3339(std::string(name.substr(0, date_length)) + "T00:00:00Z");
    if (!midnight) return std::nullopt;
    return *midnight;
}

Result<std::vector<std::string>> log_files(Files& files, const std::filesystem::path& directory) {
    auto names = files.list(directory);
    if (!names) return names;
    std::erase_if(*names, [](const std::string& name) { return !day_of_log_file(name); });
    return names;
}

}  // namespace tickledger
