#include "serve/meter_facts.hpp"

#include <algorithm>

#include "book/accounts.hpp"

namespace tickledger {

namespace {

constexpr std::string_view wildcard = "{1}";

}  // namespace

std::string text_for(const std::string& text, const MeterSettings& settings, const std::string& id) {
    const std::size_t at = settings.id.find(wildcard);
    if (at == std::string::npos) return text;
    const std::size_t after = settings.id.size() - at - wildcard.size();
    if (id.size() < at + after) return text;
    const std::string part = id.substr(at, id.size() - at - after);
    std::string placed = text;
    for (std::size_t found = 0; (found = placed.find(wildcard, found)) != std::string::npos;
         found += part.size())
        placed.replace(found, wildcard.size(), part);
    return placed;
}

MeterNames names_of(const Configuration& configuration, const std::string& id) {
    const MeterSettings* settings = settings_for(configuration.meters, id);
    const auto place = settings ? static_cast<std::size_t>(settings - configuration.meters.data())
                                : configuration.names.size();
    if (place >= configuration.names.size()) return {};
    MeterNames names = configuration.names[place];
    for (std::string* text : {&names.name, &names.group, &names.parent})
        *text = text_for(*text, *settings, id);
    return names;
}

void add_names(JsonObject& object, const Configuration& configuration, const std::string& id) {
    const MeterNames names = names_of(configuration, id);
    const auto add = [&](const char* member, const std::string& text) {
        object.optional_text(member, text.empty() ? std::nullopt : std::optional(text));
    };
    add("name", names.name);
    add("group", names.group);
    add("parent", names.parent);
}

std::optional<std::int64_t> flow_age_s(const MeterSummary& summary, Instant now) {
    if (!summary.last_span) return std::nullopt;
    return std::chrono::floor<std::chrono::seconds>(std::max(now - summary.last_span->to, Duration{0}))
        .count();
}

bool is_flow_known(const MeterSummary& summary, const MeterSettings& settings, Instant now) {
    return summary.flow_l_per_h && summary.last_span && now - summary.last_span->to <= 2 * settings.cadence;
}

void add_flow_age(JsonObject& object, const MeterSummary& summary, const MeterSettings& settings,
                  Instant now) {
    object.flag("flow_known", is_flow_known(summary, settings, now));
    const auto age_s = flow_age_s(summary, now);
    object.raw("flow_age_s", age_s ? std::to_string(*age_s) : "null");
}

}  // namespace tickledger
