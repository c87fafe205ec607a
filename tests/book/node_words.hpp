// Messages of a node, for the tests of message order.
#pragma once

#include <fmt/format.h>

#include <string>

#include "ledger_world.hpp"

namespace tickledger::test {

/// A house whose node saves its count every `checkpoint_ticks` ticks.
inline MeterSettings saving_house(std::uint64_t checkpoint_ticks) {
    MeterSettings meter = house();
    meter.checkpoint_ticks = checkpoint_ticks;
    return meter;
}

inline std::string numbered(int boot, int seq, int count) {
    return fmt::format(R"({{"count":{},"boot":{},"seq":{}}})", count, boot, seq);
}

/// A message with a time and no boot.
inline std::string timed(int minute, int seq, int count) {
    return fmt::format(R"({{"count":{},"seq":{},"time":"{}"}})", count, seq, format_utc(at_min(minute)));
}

/// A message with a time and the saved count that its boot started from.
inline std::string saved_word(int minute, int boot, int seq, int saved, int count) {
    return fmt::format(R"({{"boot":{},"seq":{},"saved":{},"count":{},"time":"{}"}})", boot, seq, saved, count,
                       format_utc(at_min(minute)));
}

}  // namespace tickledger::test
