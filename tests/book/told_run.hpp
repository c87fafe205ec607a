// Runs of messages for the laws of booking: the messages of one node and the instructions of people.
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

/// The messages of a node that mostly behaves: it counts, restarts, is set by hand, loses, delays and repeats
/// messages, and now and then sends something wild. `form`: counter or pulses.
[[nodiscard]] ToldRun run_of(Draws draws, MessageForm form);

/// The same run, with people in it: they read the register, rightly or not, take readings back, apply pulse
/// values, and give instructions about alarms.
[[nodiscard]] ToldRun with_people(ToldRun run, simulation::Chance& chance);

/// A while after the last event of the run.
[[nodiscard]] Instant end_of(const ToldRun& run);

}  // namespace tickledger::test
