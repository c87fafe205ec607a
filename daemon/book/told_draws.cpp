#include "book/told_draws.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "book/instruction_documents.hpp"
#include "book/store_failure.hpp"
#include "core/json_writer.hpp"

namespace tickledger {

namespace {

void write(JsonObject& object, const ToldDraw& told) {
    object.text("time", format_utc(told.at));
    object.text("was", name_of(told.label));
    if (!told.name.empty()) object.text("name", told.name);
    object.whole("volume_ul", told.volume_ul);
    object.whole("flow_ml_per_h", told.flow_ml_per_h);
}

std::optional<ToldDraw> told_in(const nlohmann::json& document) {
    if (!document.is_object()) return std::nullopt;
    const auto at = instant_in(document, "time");
    const auto label = draw_label_named(text_in(document, "was"));
    const auto volume_ul = whole_in(document, "volume_ul", volume_max_ul);
    const auto flow_ml_per_h = whole_in(document, "flow_ml_per_h", volume_max_ul);
    std::string name = text_in(document, "name");
    if (!at || !label || !volume_ul || *volume_ul <= 0 || !flow_ml_per_h || *flow_ml_per_h < 0)
        return std::nullopt;
    if (name.size() > draw_name_max) return std::nullopt;
    return ToldDraw{*at, *label, std::move(name), *volume_ul, *flow_ml_per_h};
}

std::string fact_of(const std::vector<ToldDraw>& all) {
    JsonArray list;
    for (const ToldDraw& told : all) {
        JsonObject object;
        write(object, told);
        list.add(std::move(object).finish());
    }
    return std::move(list).finish();
}

/// Replaces what was told about the draw at this moment with `told`, or removes it.
void replace_told(Ledger& ledger, const std::string& meter, Instant at, const std::optional<ToldDraw>& told) {
    const std::string name = told_draws_fact(meter);
    auto all = told_draws_in(value_or_throw(ledger.fact(name)).value_or("[]"));
    std::erase_if(all, [&](const ToldDraw& one) { return one.at == at; });
    if (told) all.push_back(*told);
    std::ranges::sort(all, {}, &ToldDraw::at);
    if (all.size() > told_draws_max) all.erase(all.begin());
    value_or_throw(ledger.set_fact(name, fact_of(all)));
}

}  // namespace

std::string instruction_to_tell(const std::string& meter, const ToldDraw& told) {
    JsonObject object = instruction(instruction_tell_draw, meter);
    write(object, told);
    return std::move(object).finish();
}

std::string instruction_to_forget(const std::string& meter, Instant told_at) {
    JsonObject object = instruction(instruction_forget_draw, meter);
    object.text("time", format_utc(told_at));
    return std::move(object).finish();
}

std::string told_draws_fact(std::string_view meter) {
    return "told_draws/" + std::string(meter);
}

std::vector<ToldDraw> told_draws_in(const std::string& fact) {
    std::vector<ToldDraw> all;
    const auto list = nlohmann::json::parse(fact, nullptr, false);
    if (!list.is_array()) return all;
    for (const auto& document : list) {
        if (auto told = told_in(document)) all.push_back(*std::move(told));
    }
    return all;
}

void keep_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document) {
    if (const auto told = told_in(document)) replace_told(ledger, meter, told->at, told);
}

void forget_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document) {
    if (const auto at = instant_in(document, "time")) replace_told(ledger, meter, *at, std::nullopt);
}

}  // namespace tickledger
