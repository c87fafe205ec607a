// The ledger's totals beside the simulated truth.
#pragma once

#include <filesystem>
#include <vector>

#include "house.hpp"

namespace tickledger::demo {

/// Compares the daemon's answers, saved by the demo's script as `<id>.usage.json` (days) and `meters.json`,
/// with the ticks that the nodes told; the nodes must have run to the end. Prints a table. Returns whether
/// every day and every register is equal to the tick.
/// Throws nlohmann::json::exception if an answer does not have the API's form.
[[nodiscard]] bool compare(const std::vector<Meter>& meters, const Timeline& timeline,
                           const std::filesystem::path& answers);

}  // namespace tickledger::demo
