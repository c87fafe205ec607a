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
// At the end of a world no water runs and there is no trouble, so that held observations are decided.
constexpr int quiet_messages = 6;
// A US gallon is 231 cubic inches of 16.387064 mL (NIST SP 811, from memory).
constexpr Ratio tenth_of_gallon_l{3'785'411'784, 10'000'000'000};

template <typename T, std::size_t n>
T one_of(Chance& chance, const std::array<T, n>& choices) {
    return choices[chance.below(n)];
}

/// About `number` spans that do not overlap.
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

/// No meter lets more through than Q4 = 1.25 Q3 (ISO 4064-1), in either direction.
Duration shortest_tick(Ratio pulse_value_l, std::int64_t q3_l_per_h) {
    const double most_l_per_us = 1.25 * static_cast<double>(q3_l_per_h) / 3.6e9;
    return Duration{static_cast<std::int64_t>(pulse_value_l.value() / most_l_per_us) + 1};
}

std::vector<Instant> some_water(Chance& chance, Span span, std::int64_t q3_l_per_h, Ratio pulse_value_l) {
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
    if (chance.happens(0.15)) {
        const Instant from = span.from + chance.moment(span.length());
        const Span burst{from, std::min<Instant>(span.to, from + minutes{20} + chance.moment(hours{4}))};
        draws.push_back(
            leak(burst, chance.between(300, static_cast<double>(std::min<std::int64_t>(q3_l_per_h, 6'300)))));
    }
    auto ticks = ticks_of(draws, static_cast<std::int64_t>(pulse_value_l.value() * 1'000'000));
    // If several taps together exceed the largest flow, the draws take longer.
    const Duration shortest = shortest_tick(pulse_value_l, q3_l_per_h);
    for (std::size_t i = 1; i < ticks.size(); ++i)
        ticks[i] = std::max(ticks[i], ticks[i - 1] + shortest);
    ticks.erase(std::upper_bound(ticks.begin(), ticks.end(), span.to), ticks.end());
    return ticks;
}

void choose_fields(Chance& chance, PlannedNode& node) {
    NodeSettings& settings = node.settings;
    settings.tells_time = chance.happens(0.6);
    settings.tells_uptime = chance.happens(0.3);
    settings.tells_saved = chance.happens(0.3);
    settings.checkpoint_ticks = one_of<std::uint64_t>(chance, std::array<std::uint64_t, 4>{0, 1, 10, 1000});
    settings.counter_bits = one_of<int>(chance, std::array{0, 16, 24, 32});
    const auto form = chance.below(10);
    settings.message = form < 2   ? MessageForm::senml
                       : form < 5 ? MessageForm::pulses
                       : form < 6 ? MessageForm::volume
                                  : MessageForm::counter;
    if (settings.message == MessageForm::senml) {
        settings.senml_records = 1 + chance.below(5);
        settings.tells_time = true;
        node.certainty = settings.checkpoint_ticks == 1 ? Certainty::monotonic : Certainty::vague;
    } else if (settings.message != MessageForm::pulses && chance.happens(0.25)) {
        settings.tells_boot = chance.happens(0.3);
        settings.tells_seq = !settings.tells_boot && chance.happens(0.5);
        node.certainty = Certainty::vague;
    }
    if (node.certainty != Certainty::ordered && settings.counter_bits != 0) settings.counter_bits = 32;
    if (settings.message == MessageForm::pulses && settings.checkpoint_ticks > 1)
        settings.checkpoint_ticks = 0;
    settings.pulse_value_l = one_of<Ratio>(
        chance, settings.message == MessageForm::volume
                    ? std::array<Ratio, 6>{{{1, 1}, {1, 1}, {1, 10}, {1, 10}, {10, 1}, {10, 1}}}
                    : std::array<Ratio, 6>{{{1, 1}, {1, 1}, {1, 10}, {1, 2}, {10, 1}, tenth_of_gallon_l}});
    // If the counter makes a whole turn within a silence, nobody can see it.
    if (settings.counter_bits == 16 && settings.pulse_value_l.value() < 0.5) settings.pulse_value_l = {1, 1};
    settings.first_count = chance.below(settings.counter_bits == 16 ? 65'536 : 100'000);
    if (settings.counter_bits > 0 && chance.happens(0.3))
        settings.first_count =
            (std::uint64_t{1} << static_cast<unsigned>(settings.counter_bits)) - 1 - chance.below(500);
    // Without a boot field, a count that is forgotten just below its end looks like one that wrapped.
    if (node.certainty != Certainty::ordered) settings.first_count = 1'000 + chance.below(10'000);
    settings.seq_bits = chance.happens(0.3) ? 16 : 32;
    if (chance.happens(0.3))
        settings.first_seq =
            (std::uint64_t{1} << static_cast<unsigned>(settings.seq_bits)) - 1 - chance.below(500);
    settings.keeps_seq = chance.happens(0.3);
    if (settings.message != MessageForm::volume) return;
    // A meter's own display keeps every tick, whatever happens to the board that reads it.
    settings.checkpoint_ticks = 1;
    settings.counter_bits = 0;
    settings.volume_is_text = chance.happens(0.6);
    if (chance.happens(0.5)) {
        settings.rolls_over_at_ticks = 100'000'000;
        if (chance.happens(0.5)) settings.first_count = settings.rolls_over_at_ticks - 1 - chance.below(500);
    }
}

Backlog some_backlog(Chance& chance, Span during, Duration cadence) {
    Backlog backlog{.during = during};
    backlog.gap = one_of<Duration>(
        chance, std::array<Duration, 4>{milliseconds{2}, milliseconds{100}, seconds{1}, cadence / 5});
    if (chance.happens(0.4)) {
        backlog.piece = 1 + chance.below(20);
        backlog.pause = chance.moment(cadence * 2) + milliseconds{1};
    }
    backlog.mixes_live = chance.happens(0.4);
    backlog.survives_power_cut = chance.happens(0.5);
    if (chance.happens(0.3)) backlog.repeated = 1 + chance.below(30);
    return backlog;
}

/// Adds a power cut while the queue is being sent, unless there is one nearby.
void cut_short(Chance& chance, Story& story, const Backlog& backlog) {
    const Instant from = backlog.during.to + milliseconds{1} + chance.moment(backlog.gap * 40 + seconds{5});
    const Span cut{from, from + seconds{1} + chance.moment(minutes{20})};
    const auto place = std::find_if(story.power_cuts.begin(), story.power_cuts.end(),
                                    [&](const Span& span) { return span.to > cut.from - minutes{1}; });
    if (place != story.power_cuts.end() && place->from < cut.to + minutes{1}) return;
    story.power_cuts.insert(place, cut);
}

/// Most boards are a little fast or slow and sleep for uneven times; about one setting in ten is a guess.
KeptCadence some_pace(Chance& chance) {
    KeptCadence pace;
    pace.speaks_at_ticks = chance.happens(0.15);
    if (chance.happens(0.4)) return pace;
    pace.times = chance.happens(0.8) ? chance.between(0.93, 1.07)
                                     : one_of(chance, std::array<double, 4>{0.4, 0.7, 1.4, 2.5});
    pace.jitter = chance.happens(0.5) ? chance.between(0, 0.3) : 0.01;
    pace.seed = chance.below(1U << 30);
    return pace;
}

void choose_story(Chance& chance, PlannedNode& node, Span span, std::int64_t q3_l_per_h) {
    const NodeSettings& settings = node.settings;
    Story& story = node.story;
    const Duration longest = std::min<Duration>(span.length() / 8, hours{6});
    const auto some = [&](double probability) {
        return chance.happens(probability)
                   ? some_spans(chance, span, 1 + static_cast<int>(chance.below(6)), longest)
                   : std::vector<Span>{};
    };
    story.pace = some_pace(chance);
    // After a silence, messages at twice the configured cadence look like a queue if nothing shows the order.
    const bool tells_order = settings.tells_time || (settings.tells_boot && settings.tells_seq);
    if (!tells_order) story.pace.times = std::max(story.pace.times, 0.7);
    // Small ticks would cause too many messages for a world, and 16 bits number too few of them.
    if (settings.pulse_value_l.value() < 1 || settings.seq_bits < 32) story.pace.speaks_at_ticks = false;
    story.silences = some(0.4);
    story.losses = some(0.5);
    const bool is_preset = settings.message == MessageForm::counter && node.certainty == Certainty::ordered &&
                           settings.counter_bits != 16 && chance.happens(0.15);
    if (is_preset) {
        // Each preset jumps to a range of its own, so that no flow explains the jump. None jumps to the range
        // of the first counts: if the preset before it is a stray, it would look like a gain from there.
        const std::uint64_t ranges = settings.counter_bits == 24 ? 1'600'000 : 400'000'000;
        for (const Span& time : some(1)) {
            const std::uint64_t range = 1 + (story.presets.size() * 3 + 2) % 7;
            story.presets.push_back({time.from, range * ranges + chance.below(1'000'000)});
        }
    }
    if (node.certainty == Certainty::vague && chance.happens(0.5)) node.certainty = Certainty::monotonic;
    // An old message that arrives again with its lower uptime looks like a restart if there is no boot field.
    if (settings.tells_uptime && !settings.tells_boot) node.certainty = Certainty::vague;
    const bool keeps_every_tick = settings.message == MessageForm::senml && settings.checkpoint_ticks == 1;
    const bool may_restart = node.certainty != Certainty::monotonic || keeps_every_tick;
    if (may_restart) story.power_cuts = some(0.6);
    if (settings.tells_time) story.delays = some(0.4);
    for (const Span& time : some(0.5)) {
        story.backlogs.push_back(some_backlog(chance, time, settings.cadence));
        // A queue that is sent more slowly than it was filled looks like live messages.
        if (!settings.tells_time && story.pace.speaks_at_ticks)
            story.backlogs.back().gap = std::min<Duration>(story.backlogs.back().gap, milliseconds{100});
        // If nothing shows the order, only their short distance shows that the messages had waited.
        if (!tells_order)
            story.backlogs.back().pause =
                std::min<Duration>(story.backlogs.back().pause, settings.cadence * 2 / 5);
        if (may_restart && chance.happens(0.3)) cut_short(chance, story, story.backlogs.back());
    }
    const bool is_cumulative = settings.message != MessageForm::pulses;
    if (is_cumulative && settings.checkpoint_ticks == 1) {
        for (const Span& time : some(0.3)) {
            const int ticks = 1 + static_cast<int>(chance.below(chance.happens(0.8) ? 4 : 40));
            const Duration pace = std::max<Duration>(seconds{2} + chance.moment(seconds{30}),
                                                     shortest_tick(settings.pulse_value_l, q3_l_per_h));
            // The messages at the end confirm the water that ran back.
            if (time.from + ticks * pace < span.to) story.reversals.push_back({time.from, ticks, pace});
        }
    }
    if (settings.tells_seq || settings.tells_time) story.overtaken = some(0.5);
    for (const Span& time : some(0.5))
        story.redeliveries.push_back({time.from, time.length()});
    if (settings.tells_time && node.certainty == Certainty::ordered && chance.happens(0.3)) {
        for (const Span& time : some_spans(chance, span, 2, longest)) {
            // Off by seconds or minutes until a time service sets it, or far off.
            const Duration error =
                chance.happens(0.5) ? milliseconds{100} + chance.moment(minutes{2})
                                    : minutes{3} + chance.moment(hours{chance.happens(0.5) ? 2 : 24 * 400});
            story.clock_errors.push_back({time, chance.happens(0.5) ? error : -error});
        }
    }
}

MeterSettings meter_of(Chance& chance, const NodeSettings& node, std::size_t index, std::int64_t q3_l_per_h) {
    MeterSettings meter;
    meter.id = "meter-" + std::to_string(index);
    meter.topic = node.topic;
    meter.message = node.message;
    meter.q3_l_per_h = {q3_l_per_h, 1};
    meter.counter_bits = node.counter_bits;
    meter.seq_bits = node.seq_bits;
    meter.pulse_value_l = node.pulse_value_l;
    meter.rolls_over_at_l = {
        static_cast<std::int64_t>(node.rolls_over_at_ticks) * node.pulse_value_l.numerator,
        node.pulse_value_l.denominator};
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
        trouble.kind = static_cast<Trouble>(chance.below(random_trouble_count));
    } while (trouble.kind == Trouble::clock_step && !steps_clock);
    trouble.length = chance.happens(0.5) ? seconds{1} + chance.moment(seconds{20})
                                         : std::min<Duration>(chance.moment(hours{4}), within.length() / 6);
    trouble.length = std::min(trouble.length, within.to - trouble.at);
    trouble.number = chance.happens(0.5) ? chance.below(30) : chance.below(3000);
    if (chance.happens(0.5)) trouble.step = (chance.happens(0.5) ? 1 : -1) * chance.moment(hours{3});
    return trouble;
}

/// The broker forgets the daemon's session while a node begins to send its queue. What the daemon hears first
/// is then the retained copy, which may be of a live reading that the node sent before its queue.
void add_expired_sessions(Chance& chance, Plan& plan) {
    for (const PlannedNode& node : plan.nodes) {
        if (!node.retains) continue;
        for (const Backlog& backlog : node.story.backlogs) {
            if (!chance.happens(0.2)) continue;
            const Duration before = chance.moment(seconds{5});
            const Duration outage_max = chance.happens(0.5) ? seconds{20} : node.settings.cadence * 3;
            plan.troubles.push_back({.at = backlog.during.to - before,
                                     .kind = Trouble::session_expired,
                                     .length = before + chance.moment(outage_max)});
        }
    }
    std::stable_sort(plan.troubles.begin(), plan.troubles.end(),
                     [](const PlannedTrouble& a, const PlannedTrouble& b) { return a.at < b.at; });
}

/// People who live in the house: they enter the register, read it now and then, go away and come home.
std::vector<PlannedWord> some_words(Chance& chance, Span within, std::size_t node_count) {
    std::vector<PlannedWord> words;
    for (int left = chance.happens(0.5) ? 1 + chance.times(10) : 0; left > 0; --left) {
        words.push_back({within.from + chance.moment(within.length()),
                         static_cast<std::uint32_t>(chance.below(node_count)),
                         static_cast<Word>(chance.below(word_count))});
    }
    std::sort(words.begin(), words.end(),
              [](const PlannedWord& a, const PlannedWord& b) { return a.at < b.at; });
    return words;
}

}  // namespace

Plan plan_world(std::uint64_t seed, std::size_t messages) {
    Chance chance(Chance::seed_of(seed, 0));
    Plan plan;
    plan.zone = one_of(chance, std::array{"Europe/Lisbon", "Europe/Berlin", "Asia/Kolkata", "Pacific/Chatham",
                                          "America/St_Johns", "UTC"});
    const std::size_t node_count = 1 + chance.below(6);
    const Duration cadence = one_of(chance, std::array<Duration, 6>{seconds{10}, seconds{30}, minutes{1},
                                                                    minutes{3}, minutes{15}, hours{1}});
    const auto each = static_cast<std::int64_t>(std::max<std::size_t>(messages / node_count, 20));
    plan.span.from = year_begin + std::chrono::days{chance.below(365)} + seconds{chance.below(86'400)};
    plan.span.to = plan.span.from + cadence * each;
    plan.commit_every =
        one_of(chance, std::array<Duration, 5>{seconds{1}, seconds{30}, minutes{10}, hours{1}, hours{6}});
    // One commit a message costs fifty times as much as one for thousands, so most worlds have the latter.
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
        // Values that ISO 4064-1 allows: those of homes, and one of a larger building.
        const auto q3_l_per_h =
            one_of<std::int64_t>(of_node, std::array<std::int64_t, 5>{1'600, 2'500, 4'000, 6'300, 16'000});
        choose_story(of_node, node, eventful, q3_l_per_h);
        node.ticks = some_water(of_node, eventful, q3_l_per_h, node.settings.pulse_value_l);
        // A retained copy may overtake the queue. If there is a preset too, nobody can know which count is
        // older.
        node.retains = of_node.happens(0.4) && node.story.presets.empty();
        node.waits_for_broker = of_node.happens(0.5);
        node.tells_true_time = node.settings.tells_time && node.story.clock_errors.empty();
        plan.meters.push_back(meter_of(of_node, node.settings, i, q3_l_per_h));
        plan.nodes.push_back(std::move(node));
    }
    if (chance.happens(0.9)) {
        for (int left = 1 + chance.times(6); left > 0; --left) {
            plan.troubles.push_back(some_trouble(chance, eventful, plan.steps_clock));
        }
    }
    std::sort(plan.troubles.begin(), plan.troubles.end(),
              [](const PlannedTrouble& a, const PlannedTrouble& b) { return a.at < b.at; });
    plan.words = some_words(chance, eventful, node_count);
    if (plan.span.length() > hours{24 * 4} && chance.happens(0.4)) {
        if (chance.happens(0.7)) plan.keeps_readings = hours{24 * 2} + chance.moment(hours{24 * 5});
        if (!plan.keeps_readings || chance.happens(0.4))
            plan.keeps_messages = hours{24 * 2} + chance.moment(hours{24 * 5});
    }
    // Once the entries are removed, adjustments from readings by eye cannot be told from the node's ticks.
    if (plan.keeps_readings) {
        std::erase_if(plan.words, [](const PlannedWord& planned) {
            return planned.word == Word::register_start || planned.word == Word::register_reading ||
                   planned.word == Word::take_back_reading || planned.word == Word::pulse_value;
        });
    }
    Chance of_sessions(Chance::seed_of(seed, node_count + 1));
    add_expired_sessions(of_sessions, plan);
    return plan;
}

}  // namespace tickledger::simulation
