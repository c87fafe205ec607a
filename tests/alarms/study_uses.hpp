// The part of the study about high-flow and long-draw: simulated houses beside real ones.
#pragma once

#include <string>

namespace tickledger::alarms {

/// The tables for docs/alarms.md, over `months` simulated house-months and over the real homes. If the real
/// data is missing, the tables say so.
[[nodiscard]] std::string uses_tables(int months);

}  // namespace tickledger::alarms
