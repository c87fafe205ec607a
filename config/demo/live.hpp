// Nodes that send to a real broker.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "house.hpp"

namespace tickledger::demo {

enum class Pace : std::uint8_t {
    time_lapse,  ///< Much faster than the clock.
    clock,
};

/// Publishes the nodes' messages of the span, and returns when the broker has acknowledged all of them.
/// Throws mqtt::exception or std::runtime_error if the broker does not answer.
void publish(std::vector<Meter>& meters, Span span, const std::string& broker_url, Pace pace);

}  // namespace tickledger::demo
