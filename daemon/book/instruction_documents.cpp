#include "book/instruction_documents.hpp"

#include <date/date.h>

#include <nlohmann/json.hpp>

#include "core/json_writer.hpp"

namespace tickledger {

namespace {

constexpr std::int64_t ticks_max = 1'000'000'000'000'000;
// The years that RFC 3339 can write.
constexpr Instant first_year = date::sys_days{date::year{0} / 1 / 1};
constexpr Instant after_last_year = date::sys_days{date::year{10'000} / 1 / 1};

}  // namespace

JsonObject instruction(std::string_view what, const std::string& meter) {
    JsonObject object;
    object.text("do", what);
    object.text("meter", meter);
    return object;
}

std::string instruction_to_read(const std::string& meter, const SaidReading& said) {
    JsonObject object = instruction(instruction_read_register, meter);
    object.text("time", format_utc(said.at));
    object.whole("register_ul", said.register_ul);
    object.whole("given_to_ul", said.given_to_ul);
    object.flag("start", said.starts);
    return std::move(object).finish();
}

std::string instruction_to_take_back(const std::string& meter, Instant reading_at) {
    JsonObject object = instruction(instruction_take_back_reading, meter);
    object.text("time", format_utc(reading_at));
    return std::move(object).finish();
}

std::string instruction_to_set(const std::string& meter, Instant from, Ratio pulse_value_l) {
    JsonObject object = instruction(instruction_set_pulse_value, meter);
    object.text("from", format_utc(from));
    object.whole("numerator", pulse_value_l.numerator);
    object.whole("denominator", pulse_value_l.denominator);
    return std::move(object).finish();
}

namespace {

JsonObject instruction_about(std::string_view what, const std::string& meter, const Alarm& alarm) {
    JsonObject object = instruction(what, meter);
    object.text("kind", name_of(alarm.kind));
    object.text("raised_at", format_utc(alarm.raised_at));
    return object;
}

}  // namespace

std::string instruction_to_acknowledge(const std::string& meter, const Alarm& alarm) {
    return instruction_about(instruction_acknowledge_alarm, meter, alarm).finish();
}

std::string instruction_to_unacknowledge(const std::string& meter, const Alarm& alarm) {
    return instruction_about(instruction_unacknowledge_alarm, meter, alarm).finish();
}

std::string instruction_to_shelve(const std::string& meter, const Alarm& alarm, std::chrono::seconds for_s) {
    JsonObject object = instruction_about(instruction_shelve_alarm, meter, alarm);
    object.whole("for_s", for_s.count());
    return std::move(object).finish();
}

std::string instruction_to_unshelve(const std::string& meter, const Alarm& alarm) {
    return instruction_about(instruction_unshelve_alarm, meter, alarm).finish();
}

std::string instruction_to_be_away(const std::string& meter, std::optional<Instant> from,
                                   std::optional<Instant> to) {
    JsonObject object = instruction(instruction_set_away, meter);
    object.flag("away", true);
    if (from) object.text("from", format_utc(*from));
    if (to) object.text("to", format_utc(*to));
    return std::move(object).finish();
}

std::string instruction_to_be_home(const std::string& meter) {
    JsonObject object = instruction(instruction_set_away, meter);
    object.flag("away", false);
    return std::move(object).finish();
}

std::string instruction_to_import(const std::string& meter, const std::string& import,
                                  std::span<const HistoryPoint> points) {
    JsonArray list;
    for (const HistoryPoint& point : points) {
        JsonArray pair;
        pair.add(std::to_string(microseconds_of(point.at)));
        pair.add(std::to_string(point.ticks));
        list.add(std::move(pair).finish());
    }
    JsonObject object = instruction(instruction_import_history, meter);
    object.text("import", import);
    object.raw("points", std::move(list).finish());
    return std::move(object).finish();
}

std::string instruction_to_undo(const std::string& meter, const std::string& import) {
    JsonObject object = instruction(instruction_undo_import, meter);
    object.text("import", import);
    return std::move(object).finish();
}

std::vector<HistoryPoint> points_in(const nlohmann::json& document) {
    const auto found = document.find("points");
    if (found == document.end() || !found->is_array()) return {};
    std::vector<HistoryPoint> points;
    for (const auto& pair : *found) {
        const bool is_point =
            pair.is_array() && pair.size() == 2 && pair[0].is_number_integer() && pair[1].is_number_integer();
        if (!is_point) return {};
        const HistoryPoint point{instant_of(pair[0].get<std::int64_t>()), pair[1].get<std::int64_t>()};
        if (point.at < first_year || point.at >= after_last_year || point.ticks > ticks_max) return {};
        points.push_back(point);
    }
    return points;
}

std::optional<Instant> instant_in(const nlohmann::json& document, const char* name) {
    const auto at = parse_rfc3339(text_in(document, name));
    return at ? std::optional(*at) : std::nullopt;
}

std::optional<std::int64_t> whole_in(const nlohmann::json& document, const char* name, std::int64_t most) {
    const auto found = document.find(name);
    if (found == document.end() || !found->is_number_integer()) return std::nullopt;
    const auto number = found->get<std::int64_t>();
    // An unsigned number above 2^63 - 1 reads as a negative one.
    const bool fits = number <= most && number >= (found->is_number_unsigned() ? 0 : -most);
    return fits ? std::optional(number) : std::nullopt;
}

std::string text_in(const nlohmann::json& document, const char* name) {
    const auto found = document.find(name);
    return found != document.end() && found->is_string() ? found->get<std::string>() : std::string{};
}

bool flag_in(const nlohmann::json& document, const char* name) {
    const auto found = document.find(name);
    return found != document.end() && found->is_boolean() && found->get<bool>();
}

}  // namespace tickledger
