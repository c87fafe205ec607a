#include "client/views.hpp"

#include <fmt/format.h>

#include <initializer_list>
#include <nlohmann/json.hpp>

#include "client/cells.hpp"
#include "client/table.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

namespace {

// After two cadences the last flow is no longer the present flow.
std::string flow_of(const Json& meter) {
    const Json& flow = meter.at("flow_l_per_h");
    return !flow.is_null() && !meter.value("flow_known", true) ? "not known" : number(flow, 1);
}

std::string meters_table(const Json& document) {
    if (document.at("meters").empty()) return "No meters.\n";
    Table table({{"Meter"},
                 {"Last reading"},
                 {"Register m³", Align::right},
                 {"Flow L/h", Align::right},
                 {"Tick L", Align::right},
                 {"Smallest visible leak L/h", Align::right}});
    for (const Json& meter : document.at("meters")) {
        table.add({meter.at("id"), civil(meter.at("last_reading_at"), no_data),
                   number(meter.at("register_m3"), 3), flow_of(meter), csv_field(meter.at("pulse_value_l")),
                   meter.at("smallest_visible_leak_l_per_h").is_null()
                       ? "none"
                       : number(meter.at("smallest_visible_leak_l_per_h"), 1)});
    }
    std::string text = table.text();
    for (const Json& meter : document.at("meters")) {
        if (!meter.value("away", false)) continue;
        text += fmt::format("Everybody is away at {} until {}.\n", meter.at("id").get<std::string>(),
                            civil(meter.at("away_to"), "told otherwise"));
    }
    return text;
}

std::string meters_csv(const Json& document) {
    return csv_of(document.at("meters"),
                  {"id", "name", "pulse_value_l", "last_reading_at", "register_m3", "flow_l_per_h",
                   "smallest_visible_leak_l_per_h", "group", "parent"});
}

std::string notes_of_entry(const Json& entry) {
    std::string notes;
    if (!entry.at("unseen_max").is_null()) {
        append(notes,
               "unseen: at most " + counted(entry.at("unseen_max").get<std::int64_t>(), "tick", "ticks"));
    }
    const bool is_held = entry.at("kind") == "held";
    if (entry.contains("placed")) {
        append(notes, is_held ? "may have waited at the node; booked half a cadence after the last of them"
                              : "time placed by the cadence");
    } else if (is_held) {
        append(notes, "waits for the next reading to confirm it");
    }
    if (entry.at("kind") == "reverse") append(notes, "the register ran backwards");
    return notes;
}

std::string ledger_table(const Json& document) {
    std::string text = document.at("meter").get<std::string>() + "\n";
    Table entries({{"From"}, {"To"}, {"Ticks", Align::right}, {"Kind"}, {"Notes"}});
    for (const Json& entry : document.at("entries")) {
        entries.add({civil(entry.at("from"), no_data), civil(entry.at("to"), no_data),
                     whole(entry.at("ticks")), entry.at("kind"), notes_of_entry(entry)});
    }
    text += entries.is_empty() ? "No entry in this range.\n" : entries.text();
    Table refused({{"Refused at"}, {"Reason"}, {"Topic"}, {"Why"}});
    for (const Json& one : document.at("refused")) {
        refused.add({civil(one.at("at"), no_data), one.at("reason"), one.at("topic"), one.at("text")});
    }
    if (!refused.is_empty()) text += "\n" + refused.text();
    const auto left_out = document.at("refused_left_out").get<std::int64_t>();
    if (left_out > 0)
        text += fmt::format("No longer kept: {} refused in this range.\n",
                            counted(left_out, "more message", "more messages"));
    return text;
}

// Entries and refused messages in one list. A record has the fields of its sort; the others are empty.
std::string ledger_csv(const Json& document) {
    std::string text;
    const std::string meter = document.at("meter");
    for (const Json& entry : document.at("entries")) {
        text += csv_record({meter, csv_field(entry.at("from")), csv_field(entry.at("to")),
                            csv_field(entry.at("ticks")), csv_field(entry.at("kind")),
                            csv_field(entry.at("unseen_max")), entry.contains("placed") ? "true" : "false",
                            "", ""});
    }
    for (const Json& one : document.at("refused")) {
        text += csv_record({meter, "", csv_field(one.at("at")), "", "refused-" + csv_field(one.at("reason")),
                            "", "", csv_field(one.at("topic")), csv_field(one.at("text"))});
    }
    return text;
}

// To the litre.
std::string cubic_metres(const Json& value) {
    return value.is_null() ? no_data : number(value, 3);
}

std::string adjusted_ticks(const Json& reading) {
    if (reading.at("start").get<bool>()) return "start";
    const Json& adjustment = reading.at("adjustment");
    return adjustment.is_null() ? "0" : fmt::format("{:+}", adjustment.at("ticks").get<std::int64_t>());
}

std::string register_table(const Json& document) {
    if (!document.contains("meter")) return document.at("text").get<std::string>() + "\n";
    std::string text = fmt::format(
        "{}: {}{}\n{}\n", document.at("meter").get<std::string>(), cubic_metres(document.at("register_m3")),
        document.at("register_m3").is_null() ? "" : " m³", document.at("text").get<std::string>());
    Table readings(
        {{"Read by eye"}, {"Register m³", Align::right}, {"Ticks adjusted", Align::right}, {"Meaning"}});
    for (const Json& reading : document.at("readings")) {
        readings.add({civil(reading.at("time"), no_data), cubic_metres(reading.at("reading_m3")),
                      adjusted_ticks(reading), reading.at("text")});
    }
    return readings.is_empty() ? text : text + "\n" + readings.text();
}

std::string reading_csv(const Json& meter, const Json& reading) {
    const Json& adjustment = reading.at("adjustment");
    return csv_record({csv_field(meter), csv_field(reading.at("time")), csv_field(reading.at("reading_m3")),
                       reading.at("start").get<bool>() ? "true" : "false",
                       adjustment.is_null() ? "0" : csv_field(adjustment.at("ticks")),
                       csv_field(reading.at("text")), "", "", ""});
}

// What the register should show, then the readings by eye. A record has the fields of its sort; the others
// are empty.
std::string register_csv(const Json& document) {
    std::string text;
    if (!document.contains("readings")) return text;
    const auto field = [&](const char* member) { return csv_field(document.value(member, Json{})); };
    text += csv_record({field("meter"), field("time"), "", "", "", field("text"), field("register_m3"),
                        field("low_m3"), field("high_m3")});
    for (const Json& reading : document.at("readings"))
        text += reading_csv(document.at("meter"), reading);
    return text;
}

std::string reading_table(const Json& document) {
    return document.at("text").get<std::string>() + "\n";
}

std::string told_reading_csv(const Json& document) {
    return document.contains("meter") ? reading_csv(document.at("meter"), document) : std::string{};
}

/// Says of a stretch between two readings by eye why it was not used.
std::string use_of_stretch(const Json& stretch) {
    if (stretch.at("used").get<bool>()) return "yes";
    if (stretch.at("ticks").get<std::int64_t>() <= 0) return "no: no ticks were booked";
    if (stretch.at("volume_l").get<double>() <= 0) return "no: the register did not advance";
    return "no: ticks may have run unseen";
}

std::string calibration_table(const Json& document) {
    std::string text = document.at("text").get<std::string>() + "\n";
    if (!document.contains("stretches")) return text;
    Table stretches({{"From"},
                     {"To"},
                     {"Ticks", Align::right},
                     {"Register L", Align::right},
                     {"Flow L/h", Align::right},
                     {"Used"}});
    for (const Json& one : document.at("stretches")) {
        stretches.add({civil(one.at("from"), no_data), civil(one.at("to"), no_data), whole(one.at("ticks")),
                       number(one.at("volume_l"), 3), number(one.at("flow_l_per_h"), 1),
                       use_of_stretch(one)});
    }
    return stretches.is_empty() ? text : text + "\n" + stretches.text();
}

std::string calibration_csv(const Json& document) {
    std::string text;
    if (!document.contains("stretches")) return text;
    for (const Json& one : document.at("stretches")) {
        text +=
            csv_record({csv_field(document.at("meter")), csv_field(one.at("from")), csv_field(one.at("to")),
                        csv_field(one.at("ticks")), csv_field(one.at("volume_l")),
                        csv_field(one.at("flow_l_per_h")), one.at("used").get<bool>() ? "true" : "false"});
    }
    return text;
}

std::string state_of(const Json& alarm) {
    const Json& until = alarm.at("shelved_until");
    const std::string state = alarm.at("state");
    return until.is_null() ? state : fmt::format("{} until {}", state, civil(until, no_data));
}

std::string table_of(const Json& list) {
    Table alarms(
        {{"Raised"}, {"Cleared"}, {"Meter"}, {"Alarm"}, {"State"}, {"Id", Align::right}, {"Meaning"}});
    for (const Json& alarm : list) {
        alarms.add({civil(alarm.at("raised_at"), no_data), civil(alarm.at("cleared_at"), "lasts"),
                    alarm.at("meter"), alarm.at("kind"), state_of(alarm), whole(alarm.at("id")),
                    alarm.at("text")});
    }
    return alarms.is_empty() ? "No alarms.\n" : alarms.text();
}

std::string alarms_table(const Json& document) {
    std::string text = table_of(document.at("alarms"));
    Table undecided({{"Undecided from"}, {"To"}, {"Meter"}, {"Alarm"}, {"Why"}});
    for (const Json& one : document.at("undecided")) {
        undecided.add({civil(one.at("from"), no_data), civil(one.at("to"), no_data), one.at("meter"),
                       one.at("kind"), one.at("text")});
    }
    return undecided.is_empty() ? text : text + "\n" + undecided.text();
}

std::string csv_of_alarms(const Json& list) {
    return csv_of(list, {"id", "meter", "kind", "state", "raised_at", "cleared_at", "acknowledged_at",
                         "shelved_until", "text"});
}

std::string alarms_csv(const Json& document) {
    std::string text = csv_of_alarms(document.at("alarms"));
    for (const Json& one : document.at("undecided")) {
        text += csv_record({"", csv_field(one.at("meter")), csv_field(one.at("kind")), "undecided",
                            csv_field(one.at("from")), csv_field(one.at("to")), "", "",
                            csv_field(one.at("text"))});
    }
    return text;
}

// An answer to an instruction that takes effect later has only a text.
bool is_only_text(const Json& document) {
    return !document.contains("meter");
}

std::string alarm_table(const Json& document) {
    return is_only_text(document) ? document.at("text").get<std::string>() + "\n"
                                  : table_of(Json::array({document}));
}

std::string alarm_csv(const Json& document) {
    return is_only_text(document) ? std::string{} : csv_of_alarms(Json::array({document}));
}

std::string away_csv(const Json& document) {
    return is_only_text(document)
               ? std::string{}
               : csv_of(Json::array({document}), {"meter", "away", "away_from", "away_to"});
}

std::string clock_csv(const Json& document) {
    return csv_of(Json::array({document}), {"server_time", "time", "clock_ahead_s", "stamps_ahead_s"});
}

std::string health_table(const Json& document) {
    std::string text =
        fmt::format("tickledgerd {} is {} at {} ({})\n", document.at("version").get<std::string>(),
                    document.at("state").get<std::string>(), civil(document.at("time"), no_data),
                    document.at("timezone").get<std::string>());
    for (const Json& trouble : document.at("troubles"))
        text += "  ! " + trouble.get<std::string>() + "\n";
    const Json& messages = document.at("messages");
    const Json& waiting = document.at("broker").at("waiting");
    text += fmt::format("Broker: {}, {} waiting to be published\n",
                        document.at("broker").at("connected").get<bool>() ? "connected" : "not connected",
                        waiting.is_null() ? "an unknown number" : whole(waiting));
    text +=
        fmt::format("Messages: {} accepted, {} booked, {} unreadable, {} stray\n",
                    messages.at("accepted").get<std::int64_t>(), messages.at("booked").get<std::int64_t>(),
                    messages.at("unreadable").get<std::int64_t>(), messages.at("stray").get<std::int64_t>());
    Table meters({{"Meter"}, {"Last message"}, {"Silent since"}});
    for (const Json& meter : document.at("meters")) {
        meters.add({meter.at("id"), civil(meter.at("last_message_at"), no_data),
                    civil(meter.at("silent_since"), "-")});
    }
    return meters.is_empty() ? text : text + "\n" + meters.text();
}

std::string health_csv(const Json& document) {
    std::string text;
    // Named, because it must outlive the loop over it.
    const Json flat = document.flatten();
    for (const auto& [name, value] : flat.items()) {
        text += csv_record({name, csv_field(value)});
    }
    return text;
}

}  // namespace

const View meters_view{meters_table,
                       csv_record({"meter", "name", "pulse_value_l", "last_reading_at", "register_m3",
                                   "flow_l_per_h", "smallest_visible_leak_l_per_h", "group", "parent"}),
                       meters_csv};
const View ledger_view{
    ledger_table,
    csv_record({"meter", "from", "to", "ticks", "kind", "unseen_max_ticks", "placed", "topic", "text"}),
    ledger_csv};
const View register_view{register_table,
                         csv_record({"meter", "time", "reading_m3", "start", "adjustment_ticks", "text",
                                     "register_m3", "low_m3", "high_m3"}),
                         register_csv};
const View reading_view{reading_table, register_view.csv_header, told_reading_csv};
const View calibration_view{calibration_table,
                            csv_record({"meter", "from", "to", "ticks", "volume_l", "flow_l_per_h", "used"}),
                            calibration_csv};
const View alarms_view{alarms_table,
                       csv_record({"id", "meter", "kind", "state", "raised_at", "cleared_at",
                                   "acknowledged_at", "shelved_until", "text"}),
                       alarms_csv};
const View alarm_view{alarm_table, alarms_view.csv_header, alarm_csv};
const View away_view{reading_table, csv_record({"meter", "away", "away_from", "away_to"}), away_csv};
const View clock_view{reading_table, csv_record({"server_time", "time", "clock_ahead_s", "stamps_ahead_s"}),
                      clock_csv};
const View health_view{health_table, csv_record({"name", "value"}), health_csv};

}  // namespace tickledger
