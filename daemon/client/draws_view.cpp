// Draws as people ask for them: when, how long, how much, what for.
#include <fmt/format.h>

#include <map>

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

/// Where the readings are coarser than the draw, its length is a bound and no measurement.
bool is_blurred(const Json& draw) {
    return draw.at("blur_s").get<std::int64_t>() * 3 > length_s(draw);
}

std::string l_per_min(const Json& flow_l_per_h) {
    return flow_l_per_h.is_null() ? "" : fmt::format("{:.1f}", flow_l_per_h.get<double>() / 60);
}

std::string notes_of(const Json& draw) {
    std::string notes;
    if (draw.at("overlaps").get<bool>()) append(notes, "beside another");
    const auto blur_s = draw.at("blur_s").get<std::int64_t>();
    if (is_blurred(draw) && blur_s > 1) append(notes, "readings " + length_text(blur_s) + " apart");
    return notes;
}

/// What each label comes to: "shower: 2, 96.0 L, 12:10 min".
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

std::string draws_table(const Json& document) {
    const Json& draws = document.at("draws");
    std::string text = fmt::format("{}, {}\n", document.at("meter").get<std::string>(),
                                   document.at("timezone").get<std::string>());
    if (draws.empty()) return text + "No draw begins in this range.\n";
    Table table({{"From"},
                 {"Length", Align::right},
                 {"Volume L", Align::right},
                 {"Mean L/min", Align::right},
                 {"Peak L/min", Align::right},
                 {"Probably"},
                 {"Sure", Align::right},
                 {"Notes"}});
    for (const Json& draw : draws) {
        table.add({civil(draw.at("from"), no_data).substr(0, 19),
                   (is_blurred(draw) ? "at most " : "") + length_text(length_s(draw)),
                   number(draw.at("volume_l"), 1), l_per_min(draw.at("mean_flow_l_per_h")),
                   l_per_min(draw.at("peak_flow_l_per_h")), draw.at("label"),
                   fmt::format("{:.0f} %", draw.at("confidence").get<double>() * 100), notes_of(draw)});
    }
    return text + table.text() + "\n" + sums(draws);
}

std::string draws_csv(const Json& document) {
    return csv_of(document.at("draws"),
                  {"from", "to", "ticks", "volume_l", "mean_flow_l_per_h", "peak_flow_l_per_h", "label",
                   "confidence", "blur_s", "overlaps"},
                  &document.at("meter"));
}

}  // namespace

const View draws_view{draws_table,
                      csv_record({"meter", "from", "to", "ticks", "volume_l", "mean_flow_l_per_h",
                                  "peak_flow_l_per_h", "label", "confidence", "blur_s", "overlaps"}),
                      draws_csv};

}  // namespace tickledger
