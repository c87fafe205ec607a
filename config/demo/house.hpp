// The demo's house: three flats and a garden, over two weeks that end now.
#pragma once

#include <string>
#include <vector>

#include "simulation/node.hpp"
#include "simulation/story.hpp"

namespace tickledger::demo {

inline constexpr const char* timezone = "Europe/Vienna";  // As in demo.toml.

/// The demo's times. Days are civil days of the house's zone.
struct Timeline {
    /// The midnights of the simulated days, in order; some are in the future.
    std::vector<Instant> midnights;
    /// Two whole weeks and today up to some minutes ago.
    Span history;
    /// The minutes from there to about now, which pass in time lapse.
    Span live;
    /// When the leak begins: on the evening before the last complete night. It does not stop.
    Instant leak_from{};

    /// The meter on which the night-flow alarm is expected.
    static constexpr const char* leaking_meter = "flat-2";
};

/// Depends on the clock only through `now`.
[[nodiscard]] Timeline timeline_at(Instant now);

/// "2026-03-01": the civil date whose midnight this is.
[[nodiscard]] std::string date_text(Instant midnight);

struct Meter {
    std::string id;
    std::int64_t pulse_value_ul = 0;
    std::int64_t register_start_ul = 0;
    std::vector<Instant> ticks;
    simulation::Story story;
    simulation::Node node;
};

/// The meters, their water and their nodes' stories, before anything has been simulated.
[[nodiscard]] std::vector<Meter> house(const Timeline& timeline);

/// Simulates the two weeks. Returns the messages of all nodes in order of arrival.
std::vector<simulation::Delivery> live_through_history(std::vector<Meter>& meters, const Timeline& timeline);

/// Simulates a span after the history, in which each node sends every half minute.
std::vector<simulation::Delivery> live_through(std::vector<Meter>& meters, Span span);

}  // namespace tickledger::demo
