#include "configuration/system_timezone.hpp"

#include <fstream>
#include <string_view>
#include <system_error>

#include "tickledger/civil.hpp"

namespace tickledger {

namespace {

/// "../usr/share/zoneinfo/Europe/Lisbon" → "Europe/Lisbon"; empty if the link leads elsewhere.
std::string zone_of_link(const std::string& target) {
    constexpr std::string_view data = "/zoneinfo/";
    const auto at = target.find(data);
    if (at == std::string::npos) return {};
    std::string name = target.substr(at + data.size());
    // These directories contain the same zones again, with and without leap seconds. Their names are not
    // IANA's.
    for (const std::string_view copy : {"posix/", "right/"}) {
        if (name.compare(0, copy.size(), copy) == 0) name.erase(0, copy.size());
    }
    return name;
}

}  // namespace

std::string system_timezone(const std::filesystem::path& directory) {
    std::error_code error;
    const auto link = std::filesystem::read_symlink(directory / "localtime", error);
    if (!error) {
        const std::string name = zone_of_link(link.string());
        if (!name.empty() && CivilZone::find(name)) return name;
    }
    std::ifstream file(directory / "timezone");
    std::string line;
    if (std::getline(file, line)) {
        line.erase(line.find_last_not_of(" \t\r") + 1);
        if (!line.empty() && CivilZone::find(line)) return line;
    }
    return "UTC";
}

}  // namespace tickledger
