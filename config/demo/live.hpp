// Nodes that speak to a real broker.
#pragma once

#include <string>
#include <vector>

#include "house.hpp"

namespace tickledger::demo {

/// Publishes what the nodes say in timeline.live, in time lapse, and returns when the broker has acknowledged
/// all of it. With `stay`, goes on from there at the pace of the clock, for a day.
/// Throws mqtt::exception where the broker does not answer.
void publish_live(std::vector<Meter>& meters, const Timeline& timeline, const std::string& broker_url,
                  bool stay);

}  // namespace tickledger::demo
