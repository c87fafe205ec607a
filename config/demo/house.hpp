// The demo's house: three flats and a garden, two weeks of them, ending now.
#pragma once

#include <string>
#include <vector>

#include "simulation/node.hpp"
#include "simulation/story.hpp"

namespace tickledger::demo {

inline constexpr const char* timezone = "Europe/Vienna";  // As in demo.toml.

/// When what happens. Days are civil days of the house's zone.
struct Timeline {
    /// The midnights of the days that are simulated, from the first one on, some beyond the present.
    std::vector<Instant> midnights;
    /// Two whole weeks and what has passed of today, up to some minutes ago.
    Span history;
    /// The minutes from there to about now, which are lived through in time lapse.
    Span live;
    /// From the evening before the last complete night, and it has not stopped.
    Instant leak_from{};

    /// What the night-flow alarm is expected on.
    static constexpr const char* leaking_meter = "flat-2";
};

/// Nothing here depends on the clock but through `now`.
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

/// The meters, their water and what befalls their nodes; nothing of it has happened yet.
[[nodiscard]] std::vector<Meter> house(const Timeline& timeline);

/// Lets the two weeks happen. The messages of all nodes, in order of arrival.
std::vector<simulation::Delivery> live_through_history(std::vector<Meter>& meters, const Timeline& timeline);

/// Lets a span after the history happen, with a node speaking every half minute.
std::vector<simulation::Delivery> live_through(std::vector<Meter>& meters, Span span);

}  // namespace tickledger::demo
