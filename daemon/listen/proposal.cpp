// Writes the findings as text and as a [[meter]] table.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "configuration/document.hpp"
#include "core/harmless.hpp"
#include "listen/findings.hpp"
#include "tickledger/cadence.hpp"

namespace tickledger {

namespace {

using toml_file::toml_text;

std::string counted(std::int64_t number, std::string_view one) {
    return fmt::format("{} {}{}", number, one, number == 1 ? "" : "s");
}

std::string what_it_does(const FieldFinding& field) {
    std::string text;
    switch (field.use) {
        case FieldUse::count:
            text =
                field.rises > 0 ? "counts up" : "a count, by its name; it did not move: let some water run";
            break;
        case FieldUse::volume:
            text = field.rises > 0 ? "a volume that rises"
                                   : "a volume, by its name; it did not move: let some water run";
            break;
        case FieldUse::pulses:
            text = "ticks since the previous message";
            break;
        case FieldUse::boot:
            text = "shows restarts";
            break;
        case FieldUse::seq:
            text = "numbers the messages";
            break;
        case FieldUse::time:
            text = "the node's clock";
            break;
        case FieldUse::saved:
            text = "the count restored at a start";
            break;
        case FieldUse::uptime:
            text = "seconds since a start";
            break;
        case FieldUse::unknown:
            break;
    }
    if (field.smallest_rise && field.use != FieldUse::time)
        text += fmt::format("{}by {:g} at least", text.empty() ? "rose " : ", ", *field.smallest_rise);
    if (field.falls > 0)
        text += fmt::format("{}fell {}", text.empty() ? "" : ", ", counted(field.falls, "time"));
    return text;
}

/// An id made of the topic: at most 64 characters, the front cut off first.
std::string id_of(std::string_view topic) {
    std::string id;
    for (char c : topic) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
        const bool fits = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
        if (fits) id += c;
        if (!fits && !id.empty() && id.back() != '-') id += '-';
    }
    while (id.size() > 64 || (!id.empty() && (id.front() == '-')))
        id.erase(0, 1);
    while (!id.empty() && id.back() == '-')
        id.pop_back();
    return id.empty() ? "house" : id;
}

/// The fields that are not at their default places. A field is `false` if the daemon would otherwise take an
/// unrelated value for it.
std::string fields_line(const TopicFinding& topic) {
    std::string out;
    const auto add = [&](std::string_view key, const std::string& value) {
        out += fmt::format("{}{} = {}", out.empty() ? "" : ", ", key, value);
    };
    for (const FieldUse use : {FieldUse::count, FieldUse::volume, FieldUse::pulses, FieldUse::boot,
                               FieldUse::seq, FieldUse::time, FieldUse::saved, FieldUse::uptime}) {
        if (use == FieldUse::saved && topic.field(FieldUse::volume)) continue;  // A register needs none.
        const std::string usual = fmt::format("/{}", name_of(use));
        const FieldFinding* field = topic.field(use);
        if (field && field->pointer != usual) add(name_of(use), toml_text(field->pointer));
        const bool may_be_off = use != FieldUse::count && use != FieldUse::volume && use != FieldUse::pulses;
        const bool is_taken = std::ranges::any_of(topic.fields, [&](const FieldFinding& other) {
            return other.pointer == usual && other.use != use;
        });
        if (!field && may_be_off && is_taken) add(name_of(use), "false");
    }
    return out;
}

std::string_view form_of(const TopicFinding& topic) {
    if (topic.is_senml) return "senml";
    if (topic.field(FieldUse::count)) return "counter";
    return topic.field(FieldUse::volume) ? "volume" : "pulses";
}

/// The lines that the register's digits suggest: its unit (cubic metres assumed), where it starts again at 0,
/// and its last digit.
std::string register_lines(const FieldFinding& volume) {
    std::string text = "unit = \"m3\"   # ? the unit of the number: L, m3, gal_us, gal_imp or ft3\n";
    const auto digits = static_cast<int>(std::min(volume.first.find('.'), volume.first.size()));
    // Leading zeros show how many digits the register has.
    const bool shows_all_digits = volume.first.starts_with('0') && digits > 1 && digits < 10;
    text += fmt::format("{}rolls_over_at = \"{:.0f} m3\"   # {}\n", shows_all_digits ? "" : "# ",
                        shows_all_digits ? std::pow(10, digits) : 100000.0,
                        "where the register starts again at 0");
    constexpr std::array last_digit{"1 m3", "100 L", "10 L", "1 L"};
    text += fmt::format("pulse_value = \"{}\"   # ? its last digit that can be trusted\n",
                        last_digit.at(static_cast<std::size_t>(std::min(volume.decimals, 3))));
    return text;
}

}  // namespace

std::string describe(const std::vector<TopicFinding>& topics) {
    std::string text;
    int number = 0;
    for (const TopicFinding& topic : topics) {
        text += fmt::format("{} {}\n", topic.can_be_a_meter() ? fmt::format("{}.", ++number) : "-",
                            harmless_text(topic.topic));
        text += fmt::format("   {}", counted(topic.messages, "message"));
        if (topic.retained > 0) text += fmt::format(", {} of them retained (sent before)", topic.retained);
        if (topic.cadence)
            text += fmt::format(", one every {}", format_duration(rounded_cadence(*topic.cadence)));
        text += '\n';
        if (topic.unreadable > 0)
            text += topic.unreadable == topic.messages ? "   None is JSON\n" : "   Some are not JSON\n";
        if (topic.is_senml) text += "   SenML (RFC 8428): message = \"senml\"\n";
        for (const FieldFinding& field : topic.fields) {
            text += fmt::format("   {:<6} {} = {}", name_of(field.use),
                                field.pointer.empty() ? "the whole message" : harmless_text(field.pointer),
                                harmless_text(field.first));
            if (field.last != field.first) text += fmt::format(" ... {}", harmless_text(field.last));
            const std::string does = what_it_does(field);
            text += (does.empty() ? "" : "   (" + does + ")") + "\n";
        }
        text += '\n';
    }
    return text;
}

std::string meter_table(const TopicFinding& topic) {
    const std::string_view form = form_of(topic);
    std::string text = "[[meter]]\n";
    text += fmt::format("id = {}   # change it now if you like: a different id later is a different meter\n",
                        toml_text(id_of(topic.topic)));
    text += "name = \"\"   # what you call it\n";
    text += fmt::format("topic = {}\n", toml_text(topic.topic));
    text += fmt::format("message = \"{}\"\n", form);
    if (const std::string fields = fields_line(topic); !fields.empty())
        text += "fields = { " + fields + " }\n";
    if (form == "pulses")
        text +=
            "# If this number is a running total and not the ticks since the last message, it is a count: "
            "use message = \"counter\".\n";
    if (form == "counter" && topic.field(FieldUse::count)->is_named_for_pulses())
        text +=
            "# If this number is the ticks since the last message and not a running total: use message = "
            "\"pulses\".\n";
    const bool tells_restarts = topic.field(FieldUse::boot) || topic.field(FieldUse::uptime);
    if (!tells_restarts && (form == "counter" || form == "pulses"))
        text +=
            "# No field shows when the node restarts. A restart is accepted only after the next message "
            "confirms it.\n";
    if (form == "pulses" && !topic.field(FieldUse::seq))
        text += "# No field numbers the messages. A message that is lost or arrives twice is not noticed.\n";
    text += fmt::format(
        "cadence = \"{}\"   # {}\n",
        format_duration(topic.cadence ? rounded_cadence(*topic.cadence) : Duration{std::chrono::minutes{3}}),
        topic.cadence ? "as heard" : "not heard: how often does the node send?");
    text += "# Read these on the meter's face (never open a meter or break its seal):\n";
    if (form == "volume") {
        text += register_lines(*topic.field(FieldUse::volume));
    } else {
        text += "pulse_value = \"1 L\"   # ? what one tick stands for (\"1 imp = 10 L\")\n";
    }
    text += "q3 = \"2.5 m3/h\"   # ? the permanent flow Q3 (ISO 4064-1)\n";
    text +=
        "# After the first message is booked, enter the face's number: tickledger register --start READING\n";
    return text;
}

}  // namespace tickledger
