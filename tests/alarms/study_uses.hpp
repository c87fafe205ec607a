// The part of the study about high-flow and long-draw: simulated houses beside real ones.
#pragma once

#include <string>

namespace tickledger::alarms {

/// The tables for docs/alarms.md, over so many simulated house-months, and over the real homes where their
/// data is at hand; where it is not, the tables say so.
[[nodiscard]] std::string uses_tables(int months);

}  // namespace tickledger::alarms
