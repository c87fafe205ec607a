// Shows draws: when, how long, how much, and probably what for.
#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <vector>

#include "client/cells.hpp"
#include "client/table.hpp"
#include "client/views.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

namespace {

std::string length_text(std::int64_t seconds) {
    if (seconds >= 3600) return fmt::format("{} h {:02} min", seconds / 3600, seconds % 3600 / 60);
    return fmt::format("{}:{:02} min", seconds / 60, seconds % 60);
}

/// True if the readings are so coarse that the draw's length is a bound and not a measurement.
bool is_blurred(const Json& draw) {
    return draw.at("blur_s").get<std::int64_t>() * 3 > length_s(draw);
}

std::string l_per_min(const Json& flow_l_per_h) {
    return flow_l_per_h.is_null() ? "" : fmt::format("{:.1f}", flow_l_per_h.get<double>() / 60);
}

/// Readings a minute or more apart cannot distinguish one shower from two in a row.
bool may_be_several(const Json& draw) {
    const std::string label = draw.at("label").get<std::string>();
    return draw.at("blur_s").get<std::int64_t>() >= 60 &&
           (label == "shower" || label == "flush" || label == "hose");
}

std::string notes_of(const Json& draw) {
    std::string notes;
    if (draw.at("overlaps").get<bool>()) append(notes, "beside another");
    const std::int64_t parts = draw.value("parts", std::int64_t{1});
    if (parts > 1) append(notes, fmt::format("ran {} times", parts));
    const auto blur_s = draw.at("blur_s").get<std::int64_t>();
    if (may_be_several(draw)) append(notes, "one or more");
    if (is_blurred(draw) && blur_s > 1) append(notes, "readings " + length_text(blur_s) + " apart");
    return notes;
}

/// The sum for each label: "shower: 2, 96.0 L, 12:10 min".
std::string sums(const Json& draws) {
    struct Sum {
        std::int64_t count = 0;
        double volume_l = 0;
        std::int64_t length_s = 0;
    };
    std::map<std::string, Sum> by_label;
    for (const Json& draw : draws) {
        Sum& sum = by_label[draw.at("label").get<std::string>()];
        ++sum.count;
        sum.volume_l += draw.at("volume_l").get<double>();
        if (!is_blurred(draw)) sum.length_s += length_s(draw);
    }
    std::string text;
    for (const auto& [label, sum] : by_label) {
        text += fmt::format("{}: {}, {:.1f} L", label, sum.count, sum.volume_l);
        text += sum.length_s > 0 ? fmt::format(", {}\n", length_text(sum.length_s)) : "\n";
    }
    return text;
}

/// True if a person said what the draw was.
bool is_told(const Json& draw) {
    return draw.value("told", false);
}

/// "shower", or "shower, Ada's" with the person's own name for it.
std::string label_of(const Json& draw) {
    const std::string label = draw.at("label").get<std::string>();
    const auto name = draw.find("name");
    return name == draw.end() || name->is_null() ? label : label + ", " + name->get<std::string>();
}

/// The draws as a table with column titles.
std::string table_of(const Json& draws) {
    Table table({{"From"},
                 {"Length", Align::right},
                 {"Volume L", Align::right},
                 {"Mean L/min", Align::right},
                 {"Peak L/min", Align::right},
                 {"Probably"},
                 {"Sure", Align::right},
                 {"Notes"}});
    for (const Json& draw : draws) {
        table.add(
            {civil(draw.at("from"), no_data).substr(0, 19),
             (is_blurred(draw) ? "at most " : "") + length_text(length_s(draw)),
             number(draw.at("volume_l"), 1), l_per_min(draw.at("mean_flow_l_per_h")),
             l_per_min(draw.at("peak_flow_l_per_h")), label_of(draw),
             is_told(draw) ? "told" : fmt::format("{:.0f} %", draw.at("confidence").get<double>() * 100),
             notes_of(draw)});
    }
    return table.text();
}

std::string heading_of(const Json& document) {
    return fmt::format("{}, {}\n", document.at("meter").get<std::string>(),
                       document.at("timezone").get<std::string>());
}

/// A line for each draw that the range does not list because it began earlier, such as a leak.
std::string begun_before(const Json& document) {
    std::string text;
    for (const Json& draw : document.value("begun_before", Json::array())) {
        const std::string flow = l_per_min(draw.at("mean_flow_l_per_h"));
        text += fmt::format("Begun before this range, and not in the list: {} from {} to {}, {} L{}.\n",
                            label_of(draw), civil(draw.at("from"), no_data).substr(0, 19),
                            civil(draw.at("to"), no_data).substr(0, 19), number(draw.at("volume_l"), 1),
                            flow.empty() ? "" : " at " + flow + " L/min");
    }
    return text;
}

std::string draws_table(const Json& document) {
    const Json& draws = document.at("draws");
    const std::string before = begun_before(document);
    if (draws.empty()) return heading_of(document) + "No draw begins in this range.\n" + before;
    return heading_of(document) + table_of(draws) + "\n" + sums(draws) + before;
}

Json longest_first(const Json& draws) {
    std::vector<Json> sorted(draws.begin(), draws.end());
    std::stable_sort(sorted.begin(), sorted.end(),
                     [](const Json& a, const Json& b) { return length_s(a) > length_s(b); });
    return Json(sorted);
}

/// "The longest shower: 12:30 min, 84.2 L at 6.7 L/min, from 2026-03-02 07:03:10 (83 % sure)."
std::string longest_text(const Json& draw) {
    const std::string flow = l_per_min(draw.at("mean_flow_l_per_h"));
    return fmt::format(
        "The longest {}: {}{}, {} L{}, from {} ({:.0f} % sure{}).\n", draw.at("label").get<std::string>(),
        is_blurred(draw) ? "at most " : "", length_text(length_s(draw)), number(draw.at("volume_l"), 1),
        flow.empty() ? "" : " at " + flow + " L/min", civil(draw.at("from"), no_data).substr(0, 19),
        draw.at("confidence").get<double>() * 100, may_be_several(draw) ? "; it may have been several" : "");
}

std::string longest_table(const Json& document) {
    const std::string before = begun_before(document);
    if (document.at("draws").empty())
        return heading_of(document) + "No such draw begins in this range.\n" + before;
    const Json draws = longest_first(document.at("draws"));
    return heading_of(document) + longest_text(draws.front()) + "\n" + table_of(draws) + before;
}

std::string draws_csv(const Json& document) {
    return csv_of(document.at("draws"),
                  {"from", "to", "ticks", "volume_l", "mean_flow_l_per_h", "peak_flow_l_per_h", "label",
                   "confidence", "blur_s", "overlaps", "parts", "told", "name"},
                  &document.at("meter"));
}

std::string longest_csv(const Json& document) {
    Json sorted = document;
    sorted["draws"] = longest_first(document.at("draws"));
    return draws_csv(sorted);
}

std::string told_draw_table(const Json& document) {
    return heading_of(document) + table_of(Json::array({document.at("draw")})) + "\n" +
           document.at("text").get<std::string>() + "\n";
}

std::string told_draw_csv(const Json& document) {
    Json draws = document;
    draws["draws"] = Json::array({document.at("draw")});
    return draws_csv(draws);
}

}  // namespace

const View draws_view{
    draws_table,
    csv_record({"meter", "from", "to", "ticks", "volume_l", "mean_flow_l_per_h", "peak_flow_l_per_h", "label",
                "confidence", "blur_s", "overlaps", "parts", "told", "name"}),
    draws_csv};
const View longest_draws_view{longest_table, draws_view.csv_header, longest_csv};
const View told_draw_view{told_draw_table, draws_view.csv_header, told_draw_csv};

}  // namespace tickledger
