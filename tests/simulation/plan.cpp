#include "simulation/plan.hpp"

#include <algorithm>
#include <array>

#include "simulation/household.hpp"

namespace tickledger::simulation {

namespace {

using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr Instant year_begin = std::chrono::sys_days{std::chrono::year{2026} / 1 / 1};
// At the end of a world nothing runs and all is well, so that what is held is settled.
constexpr int quiet_messages = 6;

template <typename T, std::size_t n>
T one_of(Chance& chance, const std::array<T, n>& choices) {
    return choices[chance.below(n)];
}

/// Spans apart from each other, about `number` of them.
std::vector<Span> some_spans(Chance& chance, Span within, int number, Duration longest) {
    std::vector<Span> spans;
    const Duration gap = within.length() / (number + 1);
    for (Instant t = within.from + chance.moment(2 * gap); t < within.to;
         t += seconds{1} + chance.moment(2 * gap)) {
        const Instant to = t + seconds{1} + chance.moment(longest);
        if (to >= within.to) break;
        spans.push_back({t, to});
        t = to;
    }
    return spans;
}

std::vector<Instant> some_water(Chance& chance, Span span) {
    Household household;
    household.residents = 1 + static_cast<int>(chance.below(4));
    household.shower = static_cast<Shower>(chance.below(3));
    const std::uint64_t seed = chance.below(1U << 30);
    std::vector<Draw> draws;
    Instant midnight = span.from;
    for (int day = 0; midnight < span.to; ++day, midnight += hours{24}) {
        const auto some = household.day(seed, day, midnight);
        draws.insert(draws.end(), some.begin(), some.end());
    }
    if (chance.happens(0.2)) {
        const Instant from = span.from + chance.moment(span.length());
        draws.push_back(leak({from, span.to}, chance.between(2, 60)));
    }
    auto ticks = ticks_of(draws, 1'000'000);
    ticks.erase(std::upper_bound(ticks.begin(), ticks.end(), span.to), ticks.end());
    return ticks;
}

void choose_fields(Chance& chance, PlannedNode& node) {
    NodeSettings& settings = node.settings;
    settings.tells_time = chance.happens(0.6);
    settings.tells_uptime = chance.happens(0.3);
    settings.tells_saved = chance.happens(0.3);
    settings.checkpoint_ticks = one_of<std::uint64_t>(chance, std::array<std::uint64_t, 4>{0, 1, 10, 1000});
    settings.counter_bits = one_of<int>(chance, std::array{0, 16, 32, 32});
    const auto form = chance.below(10);
    settings.message = form < 2 ? MessageForm::senml : form < 5 ? MessageForm::pulses : MessageForm::counter;
    if (settings.message == MessageForm::senml) {
        settings.senml_records = 1 + chance.below(5);
        settings.tells_time = true;
        node.certainty = settings.checkpoint_ticks == 1 ? Certainty::monotonic : Certainty::vague;
    } else if (settings.message == MessageForm::counter && chance.happens(0.25)) {
        settings.tells_boot = chance.happens(0.3);
        settings.tells_seq = !settings.tells_boot && chance.happens(0.5);
        node.certainty = Certainty::vague;
    }
    if (node.certainty != Certainty::ordered && settings.counter_bits == 16) settings.counter_bits = 32;
    if (settings.message == MessageForm::pulses && settings.checkpoint_ticks > 1)
        settings.checkpoint_ticks = 0;
    settings.first_count = chance.below(settings.counter_bits == 16 ? 65'536 : 100'000);
    if (settings.counter_bits == 32 && chance.happens(0.2))
        settings.first_count = 0xFFFF'FFFFU - chance.below(500);
    // A count that falls to 0 just below its end can not be told from one that ran over it.
    if (node.certainty != Certainty::ordered || settings.checkpoint_ticks == 0)
        settings.first_count = chance.below(10'000);
}

void choose_story(Chance& chance, PlannedNode& node, Span span) {
    const NodeSettings& settings = node.settings;
    Story& story = node.story;
    const Duration longest = std::min<Duration>(span.length() / 8, hours{6});
    const auto some = [&](double probability) {
        return chance.happens(probability)
                   ? some_spans(chance, span, 1 + static_cast<int>(chance.below(6)), longest)
                   : std::vector<Span>{};
    };
    story.silences = some(0.4);
    story.losses = some(0.5);
    const bool is_preset = settings.message == MessageForm::counter && node.certainty == Certainty::ordered &&
                           settings.counter_bits != 16 && chance.happens(0.15);
    if (is_preset) {
        // Jumps that no flow explains, from wherever the count may stand: each to a range of its own.
        for (const Span& time : some(1)) {
            const std::uint64_t range = (story.presets.size() * 5 + 3) % 8;
            story.presets.push_back({time.from, range * 400'000'000 + chance.below(1'000'000)});
        }
        return;
    }
    if (node.certainty == Certainty::vague && chance.happens(0.5)) node.certainty = Certainty::monotonic;
    // An old message that comes again with its lower uptime looks like a restart, where no boot says
    // otherwise.
    if (settings.tells_uptime && !settings.tells_boot) node.certainty = Certainty::vague;
    const bool keeps_every_tick = settings.message == MessageForm::senml && settings.checkpoint_ticks == 1;
    const bool may_restart = node.certainty != Certainty::monotonic || keeps_every_tick;
    if (may_restart) story.power_cuts = some(0.6);
    if (settings.tells_time) story.delays = some(0.4);
    if (settings.tells_seq || settings.tells_time) story.overtaken = some(0.5);
    for (const Span& time : some(0.5))
        story.redeliveries.push_back({time.from, time.length()});
    if (settings.tells_time && node.certainty == Certainty::ordered && chance.happens(0.2)) {
        for (const Span& time : some_spans(chance, span, 2, longest)) {
            const Duration error = minutes{3} + chance.moment(hours{chance.happens(0.5) ? 2 : 24 * 400});
            story.clock_errors.push_back({time, chance.happens(0.5) ? error : -error});
        }
        // Messages with a false time that arrive in a crowd have no times of their own.
        story.delays.clear();
        story.overtaken.clear();
    }
}

MeterSettings meter_of(Chance& chance, const NodeSettings& node, std::size_t index) {
    MeterSettings meter;
    meter.id = "meter-" + std::to_string(index);
    meter.topic = node.topic;
    meter.message = node.message;
    // Sixteen times what a house draws: whatever a story does, its gains are plausible.
    meter.q3_l_per_h = {40'000, 1};
    meter.counter_bits = node.counter_bits;
    meter.checkpoint_ticks = node.checkpoint_ticks;
    meter.cadence = node.cadence;
    meter.interval = one_of(chance, std::array<Duration, 4>{minutes{5}, minutes{15}, hours{1}, hours{1}});
    meter.alarms.silent_after = one_of(chance, std::array<Duration, 3>{minutes{15}, hours{1}, hours{3}});
    return meter;
}

PlannedTrouble some_trouble(Chance& chance, Span within, bool steps_clock) {
    PlannedTrouble trouble;
    trouble.at = within.from + chance.moment(within.length());
    do {
        trouble.kind = static_cast<Trouble>(chance.below(trouble_count));
    } while (trouble.kind == Trouble::clock_step && !steps_clock);
    trouble.length = chance.happens(0.5) ? seconds{1} + chance.moment(seconds{20})
                                         : std::min<Duration>(chance.moment(hours{4}), within.length() / 6);
    trouble.length = std::min(trouble.length, within.to - trouble.at);
    trouble.number = chance.happens(0.5) ? chance.below(30) : chance.below(3000);
    if (chance.happens(0.5)) trouble.step = (chance.happens(0.5) ? 1 : -1) * chance.moment(hours{3});
    return trouble;
}

}  // namespace

std::string words(const PlannedNode& node) {
    const NodeSettings& settings = node.settings;
    std::string text = settings.message == MessageForm::counter  ? "counter"
                       : settings.message == MessageForm::pulses ? "pulses"
                                                                 : "senml";
    text += " of " + std::to_string(settings.counter_bits) + " bits from " +
            std::to_string(settings.first_count) + ", saved every " +
            std::to_string(settings.checkpoint_ticks) + " ticks; tells";
    const auto add = [&](bool is_so, const char* word) {
        text += is_so ? std::string(" ") + word : std::string();
    };
    add(settings.tells_boot, "boot"), add(settings.tells_seq, "seq"), add(settings.tells_time, "time");
    add(settings.tells_saved, "saved"), add(settings.tells_uptime, "uptime");
    text += "; cadence " + format_duration(settings.cadence);
    const auto count = [&](std::size_t number, const char* word) {
        text += number > 0 ? ", " + std::to_string(number) + " " + word : std::string();
    };
    const Story& story = node.story;
    count(story.power_cuts.size(), "power cuts"), count(story.presets.size(), "presets");
    count(story.silences.size(), "silences"), count(story.losses.size(), "losses");
    count(story.delays.size(), "delays"), count(story.overtaken.size(), "overtaken");
    count(story.redeliveries.size(), "redeliveries"), count(story.clock_errors.size(), "clock errors");
    add(node.retains, "(retained)"), add(node.waits_for_broker, "(waits for the broker)");
    return text;
}

const char* name_of(Trouble trouble) {
    switch (trouble) {
        case Trouble::kill:
            return "kill";
        case Trouble::kill_at_write:
            return "kill at a write";
        case Trouble::power_cut:
            return "power cut";
        case Trouble::power_cut_at_write:
            return "power cut at a write";
        case Trouble::orderly_restart:
            return "orderly restart";
        case Trouble::full_disk:
            return "full disk";
        case Trouble::failing_disk:
            return "failing disk";
        case Trouble::broker_stopped:
            return "broker stopped";
        case Trouble::broker_killed:
            return "broker killed";
        case Trouble::link_lost:
            return "link lost";
        case Trouble::clock_step:
            return "clock step";
    }
    return "?";
}

Plan plan_world(std::uint64_t seed, std::size_t messages) {
    Chance chance(Chance::seed_of(seed, 0));
    Plan plan;
    plan.zone = one_of(chance, std::array{"Europe/Lisbon", "Europe/Berlin", "Asia/Kolkata", "Pacific/Chatham",
                                          "America/St_Johns", "UTC"});
    const std::size_t node_count = 1 + chance.below(6);
    const Duration cadence =
        one_of(chance, std::array<Duration, 4>{seconds{30}, minutes{1}, minutes{3}, minutes{15}});
    const auto each = static_cast<std::int64_t>(std::max<std::size_t>(messages / node_count, 20));
    plan.span.from = year_begin + std::chrono::days{chance.below(365)} + seconds{chance.below(86'400)};
    plan.span.to = plan.span.from + cadence * each;
    plan.commit_every =
        one_of(chance, std::array<Duration, 5>{seconds{1}, seconds{30}, minutes{10}, hours{1}, hours{6}});
    // A commit a message costs fifty times as much as one of thousands, so there are more of the latter.
    if (plan.commit_every < cadence * 4 && chance.happens(0.8)) plan.commit_every = cadence * 100;
    plan.sync_every =
        one_of(chance, std::array<Duration, 4>{Duration{0}, seconds{1}, minutes{1}, minutes{10}});
    plan.looks_every = std::max<Duration>(plan.commit_every, minutes{10});
    plan.steps_clock = chance.happens(0.2);
    plan.has_no_clock_battery = !plan.steps_clock && chance.happens(0.2);
    plan.broker.queue_max = chance.happens(0.3) ? 1000 : 100'000;
    plan.broker.saves_now_and_then = chance.happens(0.5);

    const Span eventful{plan.span.from + cadence, plan.span.to - cadence * quiet_messages};
    for (std::size_t i = 0; i < node_count; ++i) {
        Chance of_node(Chance::seed_of(seed, i + 1));
        PlannedNode node;
        node.settings.topic = "nodes/" + std::to_string(i) + "/water";
        node.settings.cadence = cadence;
        choose_fields(of_node, node);
        choose_story(of_node, node, eventful);
        node.ticks = some_water(of_node, eventful);
        // A retained copy may overtake the queue; beside a preset nobody can say then which count is the
        // older.
        node.retains = of_node.happens(0.4) && node.story.presets.empty();
        node.waits_for_broker =
            node.settings.tells_time && node.story.clock_errors.empty() && of_node.happens(0.5);
        node.tells_true_time = node.settings.tells_time && node.story.clock_errors.empty();
        plan.meters.push_back(meter_of(of_node, node.settings, i));
        plan.nodes.push_back(std::move(node));
    }
    if (chance.happens(0.9)) {
        for (int left = 1 + chance.times(6); left > 0; --left) {
            plan.troubles.push_back(some_trouble(chance, eventful, plan.steps_clock));
        }
    }
    std::sort(plan.troubles.begin(), plan.troubles.end(),
              [](const PlannedTrouble& a, const PlannedTrouble& b) { return a.at < b.at; });
    return plan;
}

}  // namespace tickledger::simulation
