// Runs of messages for the laws of booking: what one node says, and what people say beside it.
#pragma once

#include <vector>

#include "book/backlog_detector.hpp"
#include "drawn.hpp"
#include "simulation/chance.hpp"
#include "tickledger/meter.hpp"

namespace tickledger::test {

struct ToldRun {
    MeterSettings meter;
    std::vector<Delivery> deliveries;
    bool tells_time = false;
};

/// What a node says that mostly behaves: it counts on, starts anew, is set by hand, loses, delays and repeats
/// messages, and now and then says something wild. `form`: counter or pulses.
[[nodiscard]] ToldRun run_of(Draws draws, MessageForm form);

/// The same run, with people in it: they read the register, rightly or not, take readings back, apply pulse
/// values, and say what they want of alarms.
[[nodiscard]] ToldRun with_people(ToldRun run, simulation::Chance& chance);

/// A while after the last of it.
[[nodiscard]] Instant end_of(const ToldRun& run);

}  // namespace tickledger::test
