// Nodes that speak to a real broker.
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

/// Publishes what the nodes say in the span, and returns when the broker has acknowledged all of it.
/// Throws mqtt::exception or std::runtime_error where the broker does not answer.
void publish(std::vector<Meter>& meters, Span span, const std::string& broker_url, Pace pace);

}  // namespace tickledger::demo
