// The history as a recording: one JSON object a line, as mosquitto_sub -F %j writes it.
#pragma once

#include <ostream>
#include <vector>

#include "simulation/node.hpp"

namespace tickledger::demo {

void write_recording(const std::vector<simulation::Delivery>& deliveries, std::ostream& out);

}  // namespace tickledger::demo
