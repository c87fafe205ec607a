#include "configuration/meter_tables.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "configuration/options.hpp"
#include "configuration/parsers.hpp"
#include "core/spelling.hpp"

namespace tickledger {

using toml_file::Kind;
using toml_file::Value;

namespace {

/// A meter and the places in the file for mistakes that concern several of its keys.
struct PlacedMeter {
    const Value* table;
    const MeterSettings* settings;
    const MeterNames* names;

    /// The place of the value, or of the table if the key is missing.
    [[nodiscard]] Place place_of(std::string_view key) const {
        const Value* value = table->find(key);
        return value ? value->place : table->place;
    }
};

void check_meter(const PlacedMeter& meter, Mistakes& mistakes) {
    for (const auto& [key, example] : {std::pair{"id", "house"}, std::pair{"topic", "nodes/cellar/water"}}) {
        if (meter.table->find(key)) continue;
        mistakes.add(
            meter.table->place,
            fmt::format("this [[meter]] has no `{0}`. Write one, for example {0} = \"{1}\".", key, example));
    }
    if (meter.table->find("q3") && meter.table->find("q4")) {
        mistakes.add(
            meter.place_of("q4"),
            "`q3` and `q4` are both given, but one follows from the other (q4 = 1.25 q3). Leave one of them "
            "out.");
    }
    const MeterSettings& settings = *meter.settings;
    if (settings.id.find("{1}") != std::string::npos && !settings.topic.empty() &&
        settings.topic.find('+') == std::string::npos) {
        mistakes.add(
            meter.place_of("id"),
            fmt::format(
                "`id`: \"{}\" takes what the first + of the topic matches, but the topic \"{}\" has no "
                "+. Write + for the level that names the meter, as in \"nodes/+/water\".",
                settings.id, settings.topic));
    }
}

/// Checks the keys that depend on the form of message. A cumulative volume has no counter bits, and no
/// checkpoints because the register keeps every tick.
void check_volume(const PlacedMeter& meter, MeterSettings& settings, Mistakes& mistakes) {
    const MeterSettings unset;
    if (settings.message != MessageForm::volume) {
        for (const auto& [key, is_set] :
             {std::pair{"unit", settings.volume_unit_l != unset.volume_unit_l},
              std::pair{"rolls_over_at", settings.rolls_over_at_l.numerator != 0}}) {
            if (!is_set) continue;
            mistakes.add(
                meter.place_of(key),
                fmt::format("`{0}` applies only to message = \"volume\". Remove `{0}`, or change `message`.",
                            key));
        }
        return;
    }
    if (meter.table->find("counter_bits") && settings.counter_bits != 0) {
        mistakes.add(
            meter.place_of("counter_bits"),
            "`counter_bits` does not apply to message = \"volume\". Remove it. Write as `rolls_over_at` the "
            "value at which the display returns to 0.");
    }
    if (meter.table->find("checkpoint_ticks") && settings.checkpoint_ticks != 1) {
        mistakes.add(meter.place_of("checkpoint_ticks"),
                     "`checkpoint_ticks`: a register keeps every tick. Leave it out.");
    }
    settings.counter_bits = 0;
    settings.checkpoint_ticks = 1;
    const bool is_whole = settings.rolls_over_at_l.numerator == 0 ||
                          whole_pulse_values(settings.rolls_over_at_l, settings.pulse_value_l);
    if (!is_whole) {
        mistakes.add(
            meter.place_of("rolls_over_at"),
            "`rolls_over_at` must be a whole number of pulse values, or ticks would be lost each time "
            "the display returns to 0. Correct it, or `pulse_value`.");
    }
}

/// Sets `silent_after` from `cadence` if it is not given.
void settle_silent_after(const Value& table, MeterSettings& meter, Mistakes& mistakes) {
    const Value* alarms = table.find("alarms");
    const Value* given = alarms && alarms->kind == Kind::table ? alarms->find("silent_after") : nullptr;
    if (!given) {
        meter.alarms.silent_after = usual_silent_after(meter.cadence);
        return;
    }
    if (meter.alarms.silent_after >= meter.cadence * 2) return;
    mistakes.add(
        given->place,
        fmt::format("`silent_after` is {}, but the node sends every {} (`cadence`): one lost or late message "
                    "would raise node-silent. Write at least {}, or leave `silent_after` out for {}.",
                    format_duration(meter.alarms.silent_after), format_duration(meter.cadence),
                    format_duration(meter.cadence * 2), format_duration(usual_silent_after(meter.cadence))));
}

/// With a filter that also matches the daemon's own topics, it would read its own messages for ever.
void check_own_topics(const PlacedMeter& meter, const std::string& root, Mistakes& mistakes) {
    constexpr std::array<std::string_view, 5> published = {"/status", "/meters/+/usage", "/meters/+/day",
                                                           "/meters/+/now", "/meters/+/alarms/+"};
    for (const std::string_view topic : published) {
        const std::string whole = root + std::string{topic};
        if (meter.settings->topic.empty() || !filters_overlap(meter.settings->topic, whole)) continue;
        mistakes.add(
            meter.place_of("topic"),
            fmt::format("`topic`: \"{}\" also matches \"{}\", which this program publishes itself. Write a "
                        "filter that matches only what the nodes send.",
                        meter.settings->topic, whole));
        return;
    }
}

void check_ids(const PlacedMeter& earlier, const PlacedMeter& later, Mistakes& mistakes) {
    const MeterSettings& one = *earlier.settings;
    const MeterSettings& other = *later.settings;
    if (one.id.empty() || other.id.empty() || !ids_overlap(one.id, other.id)) return;
    const unsigned line = earlier.place_of("id").line;
    std::string text =
        one.id == other.id
            ? fmt::format("`id`: the meter in line {} is called \"{}\" too. ", line, one.id)
            : fmt::format("`id`: \"{}\" and \"{}\" in line {} can give two meters the same id. ", other.id,
                          one.id, line);
    if (one.topic == other.topic && !one.topic.empty()) {
        text += fmt::format(
            "Both read the topic \"{}\", so that its messages would be booked twice. Take one of the "
            "two [[meter]] tables out.",
            one.topic);
    } else {
        text += "Give each meter an id of its own.";
    }
    mistakes.add(later.place_of("id"), std::move(text));
}

/// The index of the table whose meters a parent's id means, or nothing.
std::optional<std::size_t> table_of_parent(const std::vector<MeterSettings>& meters,
                                           const std::string& parent) {
    for (std::size_t i = 0; i < meters.size(); ++i) {
        if (!meters[i].id.empty() && ids_overlap(meters[i].id, parent)) return i;
    }
    return std::nullopt;
}

void add_unknown_parent(const PlacedMeter& meter, const Configuration& configuration, Mistakes& mistakes) {
    const std::string& parent = meter.names->parent;
    std::vector<std::string_view> ids;
    for (std::size_t i = 0; i < configuration.meters.size(); ++i) {
        const std::string& id = configuration.meters[i].id;
        if (id.empty() || &configuration.names[i] == meter.names) continue;
        if (configuration.names[i].name == parent)
            return mistakes.add(
                meter.place_of("parent"),
                fmt::format("`parent`: \"{}\" is the name of a meter. Write its id: parent = \"{}\".", parent,
                            id));
        ids.push_back(id);
    }
    const auto meant = nearest(parent, ids);
    mistakes.add(meter.place_of("parent"),
                 fmt::format("`parent`: there is no meter \"{}\"{}", parent,
                             meant ? fmt::format("; did you mean \"{}\"?", *meant)
                                   : ". Write the id of the meter that the water passes first, or leave "
                                     "`parent` out."));
}

/// Checks that every parent is a meter of the file, and that water passes no meter twice.
void check_parents(const Value& list, const Configuration& configuration, Mistakes& mistakes) {
    const auto& meters = configuration.meters;
    for (std::size_t i = 0; i < meters.size(); ++i) {
        if (configuration.names[i].parent.empty()) continue;
        const PlacedMeter meter{&list.items[i], &meters[i], &configuration.names[i]};
        auto above = table_of_parent(meters, meter.names->parent);
        if (!above) {
            add_unknown_parent(meter, configuration, mistakes);
            continue;
        }
        std::string way = meters[i].id;
        // The limit ends the loop if this meter only leads into a circle that it is not part of.
        for (std::size_t steps = 0; above && steps < meters.size(); ++steps) {
            way += " → " + meters[*above].id;
            if (*above == i) {
                mistakes.add(meter.place_of("parent"),
                             fmt::format("`parent`: the water would pass the same meter twice ({}). Leave "
                                         "`parent` out at the meter that it passes first.",
                                         way));
                break;
            }
            const std::string& next = configuration.names[*above].parent;
            above = next.empty() ? std::nullopt : table_of_parent(meters, next);
        }
    }
}

void check_placeholders(const PlacedMeter& meter, Mistakes& mistakes) {
    const MeterSettings& settings = *meter.settings;
    if (settings.id.empty() || settings.id.find("{1}") != std::string::npos) return;
    const MeterNames& names = *meter.names;
    for (const auto& [key, text] : {std::pair{"name", &names.name}, std::pair{"group", &names.group},
                                    std::pair{"parent", &names.parent}}) {
        if (text->find("{1}") == std::string::npos) continue;
        mistakes.add(
            meter.place_of(key),
            fmt::format(
                "`{}`: \"{{1}}\" takes its value from `id`, but the id \"{}\" has no \"{{1}}\". Write "
                "the text without it.",
                key, settings.id));
    }
}

void read_meter(const Value& table, Configuration& configuration, Mistakes& mistakes) {
    MeterSettings& meter = configuration.meters.emplace_back();
    MeterNames& names = configuration.names.emplace_back();
    const std::size_t before = mistakes.count();
    Value of_names = table;
    Value of_settings = table;
    const auto is_name = [](const toml_file::Member& member) {
        return std::ranges::any_of(name_options(),
                                   [&](const auto& option) { return option.key == member.key; });
    };
    std::erase_if(of_names.members, [&](const auto& member) { return !is_name(member); });
    std::erase_if(of_settings.members, is_name);
    read_table(of_settings, meter_title, meter_options(), meter, mistakes);
    if (table.kind != Kind::table) return;
    read_table(of_names, meter_title, name_options(), names, mistakes);
    const PlacedMeter placed{&table, &meter, &names};
    check_meter(placed, mistakes);
    check_volume(placed, meter, mistakes);
    check_placeholders(placed, mistakes);
    // If something could not be read, further checks would only report its consequences.
    if (mistakes.count() == before) settle_silent_after(table, meter, mistakes);
}

}  // namespace

void read_meters(const Value& list, Configuration& configuration, Mistakes& mistakes) {
    if (list.kind == Kind::table) {
        mistakes.add(list.place,
                     "[meter] has single brackets. Write [[meter]], because there may be several.");
        return;
    }
    if (list.kind != Kind::list) {
        mistakes.add(list.place,
                     fmt::format("`meter` must be one or more tables, but it is {}. Write each meter below a "
                                 "line [[meter]].",
                                 toml_file::name_of(list.kind)));
        return;
    }
    for (const Value& table : list.items)
        read_meter(table, configuration, mistakes);
    check_parents(list, configuration, mistakes);
    const auto placed = [&](std::size_t i) {
        return PlacedMeter{&list.items[i], &configuration.meters[i], &configuration.names[i]};
    };
    for (std::size_t later = 0; later < list.items.size(); ++later) {
        check_own_topics(placed(later), configuration.broker.topic_root, mistakes);
        for (std::size_t earlier = 0; earlier < later; ++earlier)
            check_ids(placed(earlier), placed(later), mistakes);
    }
}

}  // namespace tickledger
