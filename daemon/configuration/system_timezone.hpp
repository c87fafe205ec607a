// Finds the system's own time zone.
#pragma once

#include <filesystem>
#include <string>

namespace tickledger {

/// The IANA name of the system's zone: the target of the link `localtime` below the zone data, otherwise the
/// first line of the file `timezone`, otherwise "UTC". Names that the zone data does not have are skipped.
[[nodiscard]] std::string system_timezone(const std::filesystem::path& directory = "/etc");

}  // namespace tickledger
