// The ledger's totals beside the simulated truth.
#pragma once

#include <filesystem>
#include <vector>

#include "house.hpp"

namespace tickledger::demo {

/// Compares the daemon's answers, saved by the demo's script as `<id>.usage.json` (days) and `meters.json`,
/// with what the nodes told, all of which must have happened. Prints a table. Returns whether every day
/// and every register is equal to the tick.
/// Throws nlohmann::json::exception where an answer has another shape than the API's.
[[nodiscard]] bool compare(const std::vector<Meter>& meters, const Timeline& timeline,
                           const std::filesystem::path& answers);

}  // namespace tickledger::demo
