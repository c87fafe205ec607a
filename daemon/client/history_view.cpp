// Shows what was imported for the time before a meter's first reading.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "client/cells.hpp"
#include "client/table.hpp"
#include "client/views.hpp"

namespace tickledger {

namespace {

std::string history_table(const Json& document) {
    const std::string meter = document.at("meter");
    if (document.at("imports").empty()) {
        return document.at("ends_by").is_null()
                   ? fmt::format(
                         "Nothing is imported for {}. An import is possible once its first reading "
                         "has arrived.\n",
                         meter)
                   : fmt::format(
                         "Nothing is imported for {}. You can import records that end by {}: tickledger "
                         "import METER FILE\n",
                         meter, civil(document.at("ends_by"), no_data));
    }
    Table table({{"Import"}, {"From"}, {"To"}, {"Spans", Align::right}, {"Volume L", Align::right}});
    for (const Json& one : document.at("imports")) {
        table.add({one.at("name"), civil(one.at("from"), no_data), civil(one.at("to"), no_data),
                   whole(one.at("entries")), number(one.at("volume_l"), 3)});
    }
    return table.text();
}

std::string history_csv(const Json& document) {
    return csv_of(document.at("imports"), {"name", "from", "to", "entries", "ticks", "volume_l"});
}

}  // namespace

const View history_view{history_table, csv_record({"name", "from", "to", "entries", "ticks", "volume_l"}),
                        history_csv};

}  // namespace tickledger
