#include "house.hpp"

#include <date/tz.h>

#include <algorithm>

#include "simulation/household.hpp"

namespace tickledger::demo {

namespace {

using namespace tickledger::simulation;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr int history_days = 14;
constexpr int days_beyond = 3;
constexpr auto live_minutes = minutes{8};
constexpr auto history_cadence = minutes{3};
constexpr auto live_cadence = seconds{30};
constexpr std::int64_t litre_ul = 1'000'000;

Instant civil(date::local_days day, Duration time_of_day) {
    const auto zoned =
        date::make_zoned(date::locate_zone(timezone), day + time_of_day, date::choose::earliest);
    return Instant{zoned.get_sys_time().time_since_epoch()};
}

date::local_days civil_date(Instant t) {
    return date::floor<date::days>(date::locate_zone(timezone)->to_local(t));
}

/// A moment of a day of the history, counted from its midnight.
Instant moment(const Timeline& timeline, std::size_t day, Duration since_midnight) {
    return timeline.midnights.at(day) + since_midnight;
}

template <typename User>
std::vector<Draw> water_of(const User& user, std::uint64_t seed, const Timeline& timeline) {
    std::vector<Draw> draws;
    for (std::size_t day = 0; day < timeline.midnights.size(); ++day) {
        const auto some = user.day(seed, static_cast<int>(day), timeline.midnights[day]);
        draws.insert(draws.end(), some.begin(), some.end());
    }
    return draws;
}

NodeSettings flat_node(const std::string& id, std::uint64_t first_count) {
    NodeSettings settings;
    settings.topic = "house/flats/" + id.substr(id.size() - 1) + "/water";
    settings.checkpoint_ticks = 100;
    settings.tells_saved = true;
    settings.first_count = first_count;
    return settings;
}

Meter flat(const std::string& id, std::uint64_t first_count, const std::vector<Draw>& water, Story story,
           const Timeline& timeline) {
    return {id,
            litre_ul,
            0,
            ticks_of(water, litre_ul),
            std::move(story),
            Node(flat_node(id, first_count), timeline.history.from)};
}

// Two people. The node loses power twice in the history and once live, under a shower.
Meter flat_1(const Timeline& timeline) {
    auto water = water_of(Household{2, Shower::mixer, true, true}, 101, timeline);
    const Instant shower_from = timeline.live.from + seconds{50};
    water.push_back({{shower_from, shower_from + minutes{6}}, flow_of_l_per_min(8), Use::shower});
    Story story;
    story.power_cuts = {
        {moment(timeline, 3, hours{14} + minutes{7}), moment(timeline, 3, hours{14} + minutes{31})},
        {moment(timeline, 9, hours{7} + minutes{40}), moment(timeline, 9, hours{8} + minutes{2})},
        {timeline.live.from + seconds{130}, timeline.live.from + seconds{200}}};
    return flat("flat-1", 48'213, water, std::move(story), timeline);
}

// One person, and a toilet that has been running since the evening before the last night. The connection to
// the broker is bad: some messages arrive twice, and once the messages of an hour arrive late.
Meter flat_2(const Timeline& timeline) {
    auto water = water_of(Household{1, Shower::electric, true, false}, 202, timeline);
    water.push_back(leak({timeline.leak_from, timeline.midnights.back()}, running_toilet_l_per_h));
    Story story;
    story.delays = {{moment(timeline, 6, hours{18}), moment(timeline, 6, hours{19} + minutes{1})}};
    for (std::size_t day = 0; day < history_days; ++day) {
        story.redeliveries.push_back({moment(timeline, day, hours{12}), seconds{2}});
        story.redeliveries.push_back({moment(timeline, day, hours{20}), minutes{40}});
    }
    return flat("flat-2", 0, water, std::move(story), timeline);
}

// Three people. The counter is about to wrap at 2^32, and the node is silent for one afternoon.
Meter flat_3(const Timeline& timeline) {
    const auto water = water_of(Household{3, Shower::power, true, true}, 303, timeline);
    Story story;
    story.silences = {{moment(timeline, 8, hours{13}), moment(timeline, 8, hours{15} + minutes{20})}};
    return flat("flat-3", (std::uint64_t{1} << 32U) - 1'500, water, std::move(story), timeline);
}

// The garden's node sends pulses. Some messages are lost for good while the garden is watered.
Meter garden(const Timeline& timeline) {
    auto water = water_of(Garden{}, 404, timeline);
    const Instant hose_from = timeline.live.from + minutes{2};
    water.push_back({{hose_from, hose_from + minutes{4}}, flow_of_l_per_min(12), Use::irrigation});
    NodeSettings settings;
    settings.topic = "house/garden/water";
    settings.message = MessageForm::pulses;
    Story story;
    story.power_cuts = {{moment(timeline, 5, hours{10}), moment(timeline, 5, hours{11})}};
    story.losses = {
        {moment(timeline, 10, hours{6} + minutes{5}), moment(timeline, 10, hours{6} + minutes{13})}};
    return {"garden",
            litre_ul / 2,
            120 * 1000 * litre_ul,
            ticks_of(water, litre_ul / 2),
            std::move(story),
            Node(settings, timeline.history.from)};
}

std::vector<Delivery> run_all(std::vector<Meter>& meters, Span span) {
    std::vector<Delivery> all;
    for (Meter& meter : meters) {
        const auto some = run(meter.node, meter.ticks, meter.story, span);
        all.insert(all.end(), some.begin(), some.end());
    }
    std::stable_sort(all.begin(), all.end(), [](const Delivery& a, const Delivery& b) {
        return a.message.arrived_at < b.message.arrived_at;
    });
    return all;
}

}  // namespace

Timeline timeline_at(Instant now) {
    Timeline timeline;
    const Instant history_to = std::chrono::time_point_cast<Duration>(
        std::chrono::floor<std::chrono::duration<std::int64_t, std::ratio<180>>>(now - live_minutes));
    const date::local_days today = civil_date(history_to);
    for (int day = -history_days; day <= days_beyond; ++day) {
        timeline.midnights.push_back(civil(today + date::days{day}, Duration{0}));
    }
    // The nodes send their first messages at midnight.
    timeline.history = {timeline.midnights.front() - history_cadence, history_to};
    timeline.live = {history_to, history_to + live_minutes};
    // If the night is not over yet or has only just ended, the previous one counts.
    const bool night_is_over = civil(today, hours{5}) + minutes{15} <= history_to;
    const date::local_days night = night_is_over ? today : today - date::days{1};
    timeline.leak_from = civil(night - date::days{1}, hours{22} + minutes{10});
    return timeline;
}

std::string date_text(Instant midnight) {
    return date::format("%F", civil_date(midnight));
}

std::vector<Meter> house(const Timeline& timeline) {
    return {flat_1(timeline), flat_2(timeline), flat_3(timeline), garden(timeline)};
}

std::vector<Delivery> live_through_history(std::vector<Meter>& meters, const Timeline& timeline) {
    return run_all(meters, timeline.history);
}

std::vector<Delivery> live_through(std::vector<Meter>& meters, Span span) {
    for (Meter& meter : meters)
        meter.node.speak_every(live_cadence);
    return run_all(meters, span);
}

}  // namespace tickledger::demo
