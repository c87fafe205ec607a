// POST /v1/meters/{id}/calibration: fits the pulse value to the readings by eye. The fitted value is applied
// only if a date is given.
#include "tickledger/calibration.hpp"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <numeric>

#include "book/instruction_documents.hpp"
#include "core/json_writer.hpp"
#include "serve/body.hpp"
#include "serve/call.hpp"
#include "serve/register_seen.hpp"
#include "serve/register_words.hpp"

namespace tickledger {

namespace {

constexpr int digits_pulse_value = 6;

struct AskedCalibration {
    std::optional<Instant> apply_from;
    std::optional<Ratio> pulse_value_l;
};

OrProblem<AskedCalibration> asked_in(const Call& call) {
    std::array fields{JsonField{"apply_from", "/apply_from", {}},
                      JsonField{"pulse_value", "/pulse_value", {}}};
    if (auto read = read_body(call.request, fields); !read) return tl::unexpected(read.error());
    AskedCalibration asked;
    const CivilZone& zone = call.parts.zone;
    const auto from = instant_in(fields[0], zone);
    if (!from) return tl::unexpected(from.error());
    asked.apply_from = *from;
    if (*from && zone.start_of(zone.date_of(**from)) != **from) {
        return refuse(400, fmt::format("A pulse value changes at the beginning of a day, and {} is not one. "
                                       "Give a date, like \"2026-03-01\".",
                                       zone.format(**from)));
    }
    const auto text = text_in(fields[1]);
    if (!text) return tl::unexpected(text.error());
    if (*text) {
        const auto value = parse_pulse_value_l(**text);
        if (!value) return refuse(400, value.error().text);
        if (!*from)
            return refuse(400, "\"pulse_value\" is applied from a date: give \"apply_from\" with it.");
        asked.pulse_value_l = *value;
    }
    return asked;
}

/// Ticks until a reading. If it was taken inside an entry, half of that entry's ticks count.
std::int64_t ticks_until(const RegisterReading& reading) {
    return reading.ticks_before + reading.ticks_within / 2;
}

Result<std::vector<CalibrationStretch>> stretches_of(const Seen& seen) {
    std::vector<CalibrationStretch> stretches;
    const MeterSettings& settings = *seen.meter.settings;
    for (std::size_t i = 1; i < seen.readings.size(); ++i) {
        const RegisterReading& begin = seen.readings[i - 1];
        const RegisterReading& end = seen.readings[i];
        CalibrationStretch stretch;
        stretch.span = {begin.at, end.at};
        stretch.ticks = ticks_until(end) - ticks_until(begin);
        stretch.volume_ul = unrolled_ul(end, settings) - unrolled_ul(begin, settings);
        double weighted = 0;
        double ticks = 0;
        const auto read = seen.view->entries(seen.meter.record->key, stretch.span, [&](const Entry& entry) {
            if (entry.kind == EntryKind::adjustment) return true;
            if (entry.kind != EntryKind::measured) {
                stretch.has_unseen |= unseen_ticks_max(entry, settings) > 0;
                return true;
            }
            const double length_h =
                std::chrono::duration<double, std::ratio<3600>>(entry.span.length()).count();
            if (length_h <= 0) return true;
            weighted += static_cast<double>(entry.ticks) * static_cast<double>(entry.ticks) / length_h;
            ticks += static_cast<double>(entry.ticks);
            return true;
        });
        if (!read) return tl::unexpected(read.error());
        if (ticks > 0) stretch.flow_l_per_h = weighted / ticks * settings.pulse_value_l.value();
        stretches.push_back(stretch);
    }
    return stretches;
}

std::string percent(double share) {
    return fmt::format("{:.2f} %", share * 100);
}

std::string words_for(const Calibration& fit, double present_l) {
    std::string text = fmt::format(
        "A tick stood for {:.6g} L (standard uncertainty {:.2g} L) over {} {} between readings by eye; "
        "{:.6g} L is in "
        "use, so the ledger shows {} {} than the register at about {:.0f} L/h. ",
        fit.pulse_value_l, fit.uncertainty_l, fit.stretches_used,
        fit.stretches_used == 1 ? "stretch" : "stretches", present_l, percent(std::abs(fit.error)),
        fit.error < 0 ? "less" : "more", fit.flow_l_per_h);
    const std::string limit =
        fmt::format("the maximum permissible error of ISO 4064-1 class 2 at such flows, ±{:.0f} %",
                    fit.permissible_error * 100);
    switch (fit.verdict) {
        case CalibrationVerdict::within:
            return text + fmt::format("That is within {}.", limit);
        case CalibrationVerdict::undecided:
            return text + fmt::format(
                              "These readings cannot show whether that is within {}. Read the register "
                              "again after more water has run.",
                              limit);
        case CalibrationVerdict::beyond:
            break;
    }
    text += fmt::format("That is beyond {}. ", limit);
    switch (fit.shape) {
        case ErrorShape::growing:
            return text +
                   "The error grows with the flow: ticks are missed when water runs fast. Check the sensor "
                   "(its position and sampling rate). Another pulse value would not fix this.";
        case ErrorShape::constant:
            return text + "The error is the same at every flow: the pulse value is wrong.";
        case ErrorShape::unknown:
            break;
    }
    return text +
           "Whether the error grows with the flow is not known yet; more readings, some after days of fast "
           "use, tell a wrong pulse value from ticks that are missed.";
}

std::string describe(const CalibrationStretch& stretch, const CivilZone& zone) {
    JsonObject object;
    object.text("from", zone.format(stretch.span.from));
    object.text("to", zone.format(stretch.span.to));
    object.whole("ticks", stretch.ticks);
    object.raw("volume_l", decimal(stretch.volume_ul, digits_register));
    object.raw("flow_l_per_h", fmt::format("{:.3f}", stretch.flow_l_per_h));
    object.flag("used", !stretch.has_unseen && stretch.ticks > 0 && stretch.volume_ul > 0);
    return std::move(object).finish();
}

/// The value as a ratio of whole numbers, rounded to the digits that are stated.
Ratio stated(double pulse_value_l) {
    const auto scaled =
        static_cast<std::int64_t>(std::llround(pulse_value_l * std::pow(10, digits_pulse_value)));
    const auto whole = static_cast<std::int64_t>(std::llround(std::pow(10, digits_pulse_value)));
    const std::int64_t divisor = std::gcd(scaled, whole);
    return {scaled / divisor, whole / divisor};
}

bool is_applied(const Seen& seen, Instant from, Ratio value) {
    const auto& applied = seen.summary.meter_register.pulse_values;
    return std::ranges::any_of(applied, [&](const AppliedPulseValue& one) {
        return one.from == from && one.numerator == value.numerator && one.denominator == value.denominator;
    });
}

/// The value that is to be applied. Precondition: one is fitted or asked for.
OrProblem<Ratio> value_to_apply(const AskedCalibration& asked, const std::optional<Calibration>& fit,
                                Ratio present) {
    if (asked.pulse_value_l) return *asked.pulse_value_l;
    if (fit->shape == ErrorShape::growing) {
        return refuse(
            409, words_for(*fit, present.value()) + " To apply a value anyway, give it as \"pulse_value\".");
    }
    const Ratio value = stated(fit->pulse_value_l);
    if (value.numerator <= 0)
        return refuse(409, "The pulse value found is less than a microlitre; it cannot be applied.");
    return value;
}

std::string answer_of(const Seen& seen, const std::vector<CalibrationStretch>& stretches,
                      const std::optional<Calibration>& fit, Ratio present,
                      const std::optional<Instant>& applied_from, const CivilZone& zone) {
    JsonObject document;
    document.text("meter", seen.meter.id);
    document.raw("pulse_value_now_l", fmt::format("{}", present.value()));
    if (fit) {
        document.raw("pulse_value_l", fmt::format("{:.6f}", fit->pulse_value_l));
        document.raw("uncertainty_l", fmt::format("{:.6f}", fit->uncertainty_l));
        document.raw("error_percent", fmt::format("{:.3f}", fit->error * 100));
        document.raw("permissible_error_percent", fmt::format("{:.0f}", fit->permissible_error * 100));
        document.raw("flow_l_per_h", fmt::format("{:.3f}", fit->flow_l_per_h));
        document.text("verdict", name_of(fit->verdict));
        document.text("error_shape", name_of(fit->shape));
    }
    JsonArray list;
    for (const CalibrationStretch& stretch : stretches)
        list.add(describe(stretch, zone));
    document.raw("stretches", std::move(list).finish());
    std::string text = fit ? words_for(*fit, present.value()) : std::string{};
    if (applied_from) {
        document.text("applied_from", zone.format(*applied_from));
        text += fmt::format("{}From {} on, a tick stands for {} L. Earlier ticks keep their value.",
                            text.empty() ? "" : " ", zone.format(*applied_from).substr(0, 10),
                            seen.values.at(*applied_from).value());
    } else {
        document.null("applied_from");
    }
    document.text("text", text);
    return std::move(document).finish() + "\n";
}

}  // namespace

Response post_calibration(const Call& call) {
    const auto asked = asked_in(call);
    if (!asked) return asked.error();
    auto view = call.fresh_view();
    if (!view) return view.error();
    auto seen = see(call, *std::move(view));
    if (!seen) return seen.error();
    const auto stretches = stretches_of(*seen);
    if (!stretches) return ledger_problem(stretches.error());
    const Ratio present = seen->values.latest();
    const auto fit = calibrate(*stretches, present, seen->meter.settings->register_resolution_l,
                               seen->meter.settings->q3_l_per_h);
    if (!fit && !asked->pulse_value_l) {
        return problem(
            409,
            "A pulse value needs two readings of the register by eye with ticks between them, and no "
            "restart, jump or lost message in which ticks may have run unseen. Read the register now "
            "(`tickledger register --set`), and again after some cubic metres.");
    }
    if (asked->apply_from) {
        const auto value = value_to_apply(*asked, fit, present);
        if (!value) return value.error();
        auto later = call.instruct(instruction_to_set(seen->meter.id, *asked->apply_from, *value));
        if (!later) return later.error();
        seen = see(call, *std::move(later));
        if (!seen) return seen.error();
        if (!is_applied(*seen, *asked->apply_from, *value)) return accepted_for_later();
    }
    Response response;
    response.body = answer_of(*seen, *stretches, fit, present, asked->apply_from, call.parts.zone);
    return response;
}

}  // namespace tickledger
