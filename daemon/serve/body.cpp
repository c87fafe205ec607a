#include "serve/body.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"
#include "tickledger/pulse_value.hpp"

namespace tickledger {

namespace {

using Kind = JsonValue::Kind;

bool is_given(const JsonField& field) {
    return field.value.kind != Kind::absent && field.value.kind != Kind::null;
}

tl::unexpected<Response> wrong(const JsonField& field, std::string_view wanted) {
    return refuse(400, fmt::format("\"{}\" is {}. Give {}.", field.name, shown(field.value), wanted));
}

/// Nothing if the text is not a volume or is finer than a microlitre.
std::optional<ToldVolume> told(std::string_view number, std::string_view unit) {
    const auto volume_l = parse_volume_l(fmt::format("{} {}", number, unit));
    const auto one_l = parse_volume_l(fmt::format("1 {}", unit));
    if (!volume_l || !one_l) return std::nullopt;
    const auto point = number.find('.');
    const auto digits = point == std::string_view::npos ? 0 : static_cast<int>(number.size() - point - 1);
    ToldVolume volume;
    volume.volume_ul = scaled_volume(1, *volume_l, {0, 1}, 1, digits_register);
    volume.given_to_ul = scaled_volume(1, *one_l, {0, 1}, 1, digits_register);
    for (int i = 0; i < digits; ++i)
        volume.given_to_ul /= 10;
    if (volume.given_to_ul == 0) return std::nullopt;
    return volume;
}

}  // namespace

OrProblem<void> read_body(const Request& request, std::span<JsonField> fields) {
    const std::string text =
        request.body.find_first_not_of(" \t\r\n") == std::string::npos ? "{}" : request.body;
    const auto document = parse_json(text);
    if (!document) return refuse(400, "The body is not JSON: " + document.error().text);
    if (!document->is_object()) return refuse(400, "The body must be a JSON object.");
    std::vector<std::string_view> names;
    for (const JsonField& field : fields)
        names.push_back(field.name);
    for (const auto& [name, value] : document->items()) {
        if (std::ranges::find(names, name) != names.end()) continue;
        return refuse(400, names.empty()
                               ? fmt::format("Unknown member \"{}\": this call takes none.", excerpt(name))
                               : fmt::format("Unknown member \"{}\". This call takes: {}.", excerpt(name),
                                             fmt::join(names, ", ")));
    }
    if (const auto read = read_json_fields(text, fields); !read) return refuse(400, read.error().text);
    return {};
}

OrProblem<ToldVolume> volume_in(const JsonField& cubic_metres, const JsonField& with_unit) {
    if (is_given(cubic_metres) == is_given(with_unit)) {
        return refuse(400,
                      fmt::format("Give what the register shows: \"{}\" in cubic metres, as in 1234.567, or "
                                  "\"{}\" with its unit, as in \"43613.2 ft3\".",
                                  cubic_metres.name, with_unit.name));
    }
    if (is_given(with_unit)) {
        const std::string& text = with_unit.value.text;
        const auto space = text.find(' ');
        std::optional<ToldVolume> volume;
        if (with_unit.value.kind == Kind::text && space != std::string::npos)
            volume = told(std::string_view(text).substr(0, space), std::string_view(text).substr(space + 1));
        if (!volume) return wrong(with_unit, "a decimal, a space and L, m3, gal_us, gal_imp or ft3");
        return *volume;
    }
    constexpr std::string_view wanted = "cubic metres as a decimal that is not negative, as in 1234.567";
    std::string number;
    if (cubic_metres.value.kind == Kind::text) number = cubic_metres.value.text;
    if (cubic_metres.value.kind == Kind::number) {
        const Decimal& value = cubic_metres.value.number;
        if (is_negative(value) || value.cut || value.exponent > 9 || value.exponent < -9)
            return wrong(cubic_metres, wanted);
        Decimal whole = value;
        for (; whole.exponent > 0 && whole.digits < 1'000'000'000'000; --whole.exponent)
            whole.digits *= 10;
        if (whole.exponent > 0 || whole.digits > 1'000'000'000'000'000'000)
            return wrong(cubic_metres, wanted);
        number = decimal(static_cast<std::int64_t>(whole.digits), -whole.exponent);
    }
    const auto volume = told(number, "m3");
    if (!volume) return wrong(cubic_metres, wanted);
    return *volume;
}

OrProblem<std::optional<Instant>> instant_in(const JsonField& field, const CivilZone& zone) {
    if (!is_given(field)) return std::nullopt;
    if (field.value.kind == Kind::text) {
        if (const auto at = zone.parse(field.value.text)) return *at;
    }
    return wrong(field, "a date like \"2026-03-01\" or a time like \"2026-03-01T08:00:00+01:00\"");
}

OrProblem<std::optional<bool>> flag_in(const JsonField& field) {
    if (!is_given(field)) return std::nullopt;
    if (field.value.kind != Kind::boolean) return wrong(field, "true or false");
    return field.value.truth;
}

OrProblem<std::optional<std::string>> text_in(const JsonField& field) {
    if (!is_given(field)) return std::nullopt;
    if (field.value.kind != Kind::text) return wrong(field, "a text in quotes");
    return field.value.text;
}

}  // namespace tickledger
