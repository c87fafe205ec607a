// tickledger register: shows what the meter's face should show, and sends what somebody read from it.
#include <fmt/format.h>
#include <unistd.h>

#include <cmath>
#include <iostream>

#include "client/asking.hpp"
#include "client/told_number.hpp"
#include "core/percent.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

namespace {

/// A reading in cubic metres, and the value of one unit in its last digit.
struct ToldReading {
    double register_m3 = 0;
    double given_to_m3 = 0;
};

Result<ToldReading> volume_of(const std::string& reading) {
    const auto space = reading.find(' ');
    const std::string number = reading.substr(0, space);
    const std::string unit = space == std::string::npos ? "m3" : reading.substr(space + 1);
    const auto volume = parse_volume_l(number + " " + unit);
    const auto one = parse_volume_l("1 " + unit);
    if (!volume) return tl::unexpected(volume.error());
    if (!one) return tl::unexpected(one.error());
    const auto point = number.find('.');
    const auto digits = point == std::string::npos ? 0 : static_cast<int>(number.size() - point - 1);
    return ToldReading{volume->value() / 1000, one->value() / 1000 / std::pow(10, digits)};
}

/// What a person should consider before this reading is booked; empty if the ledger expects it. `seen` is the
/// answer of GET …/register. A reading of the past can only be too high.
std::string doubt_about(const ToldReading& told, const Json& seen, bool is_of_the_past) {
    if (seen.at("register_m3").is_null()) return {};
    const double expected_m3 = seen.at("register_m3").get<double>();
    const double low_m3 = seen.at("low_m3").get<double>();
    const double high_m3 = seen.at("high_m3").get<double>();
    // One microlitre, the finest that is given.
    constexpr double slack_m3 = 1e-9;
    const bool is_low = told.register_m3 < low_m3 - slack_m3;
    const bool is_high = told.register_m3 > high_m3 + slack_m3;
    if (!is_high && (!is_low || is_of_the_past)) return {};
    // If the start was never told, the daemon refuses a reading far above, and says what to do.
    if (is_high && !seen.at("start_told").get<bool>()) return {};
    const double difference_l = std::abs(told.register_m3 - expected_m3) * 1000;
    std::string text = fmt::format(
        "The register of {} should show {:.3f} m³ ({:.3f} to {:.3f}). You say {:.3f} m³: {:.1f} L {}. ",
        seen.at("meter").get<std::string>(), expected_m3, low_m3, high_m3, told.register_m3, difference_l,
        is_low ? "less" : "more");
    text += is_low ? "If it is booked, it takes back water that was counted. "
                   : "If it is booked, it adds water that was not counted. ";
    if (told.given_to_m3 > seen.at("resolution_m3").get<double>() + slack_m3 &&
        difference_l < told.given_to_m3 * 1000) {
        text += fmt::format(
            "The reading is exact only to {:g} L, so there may be no real difference: give every digit that "
            "the register shows. ",
            told.given_to_m3 * 1000);
    }
    return text;
}

void ask_first(const std::string& doubt) {
    if (::isatty(STDIN_FILENO) == 0)
        throw Stop{wrong_call, doubt + "Nothing was booked. To book it anyway, use --yes."};
    fmt::print(stderr, "{}Book it? [y/N] ", doubt);
    std::string answer;
    std::getline(std::cin, answer);
    if (answer != "y" && answer != "Y" && answer != "yes") throw Stop{wrong_call, "Nothing was booked."};
}

void tell_reading(const Options& options) {
    const bool starts = !options.start.empty();
    const auto reading = plain_decimal(starts ? options.start : options.reading);
    if (!reading) throw Stop{wrong_call, reading.error().text};
    const auto told = volume_of(*reading);
    if (!told) throw Stop{wrong_call, told.error().text};
    const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/register";
    if (!starts && !options.yes) {
        const std::string doubt = doubt_about(*told, read(ask(options, {target})), !options.at.empty());
        if (!doubt.empty()) ask_first(doubt);
    }
    Json body;
    if (!options.at.empty()) body["time"] = options.at;
    // With a unit ("43613.2 ft3") or in cubic metres, with the digits as they were typed.
    body[reading->find(' ') == std::string::npos ? "reading_m3" : "reading"] = *reading;
    if (starts) body["start"] = true;
    show(options, reading_view, {{target, "POST", body.dump()}});
}

}  // namespace

void register_of(const Options& options) {
    if (!options.reading.empty() || !options.start.empty()) {
        tell_reading(options);
    } else if (!options.take_back.empty()) {
        const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/register";
        show(options, register_view, {{with_query(target, {{"time", options.take_back}}), "DELETE"}});
    } else {
        std::vector<Asked> targets;
        for (const std::string& id : meter_ids(options))
            targets.push_back({"/v1/meters/" + percent_encode(id) + "/register"});
        show(options, register_view, targets);
    }
}

}  // namespace tickledger
