// Messages of a node as the tests of their order write them.
#pragma once

#include <fmt/format.h>

#include <string>

#include "ledger_world.hpp"

namespace tickledger::test {

/// A house whose node saves its count every so many ticks.
inline MeterSettings saving_house(std::uint64_t checkpoint_ticks) {
    MeterSettings meter = house();
    meter.checkpoint_ticks = checkpoint_ticks;
    return meter;
}

inline std::string numbered(int boot, int seq, int count) {
    return fmt::format(R"({{"count":{},"boot":{},"seq":{}}})", count, boot, seq);
}

/// Of a node that tells the minute and no boot.
inline std::string timed(int minute, int seq, int count) {
    return fmt::format(R"({{"count":{},"seq":{},"time":"{}"}})", count, seq, format_utc(at_min(minute)));
}

/// Of a node that tells the minute and the count that its start began with.
inline std::string saved_word(int minute, int boot, int seq, int saved, int count) {
    return fmt::format(R"({{"boot":{},"seq":{},"saved":{},"count":{},"time":"{}"}})", boot, seq, saved, count,
                       format_utc(at_min(minute)));
}

}  // namespace tickledger::test
