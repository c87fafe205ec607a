// The zone that the system itself keeps its civil time in.
#pragma once

#include <filesystem>
#include <string>

namespace tickledger {

/// The IANA name of the system's zone: where the link `localtime` leads below the zone data, else the
/// first line of the file `timezone`, else "UTC". A name that the zone data does not know is passed over.
[[nodiscard]] std::string system_timezone(const std::filesystem::path& directory = "/etc");

}  // namespace tickledger
