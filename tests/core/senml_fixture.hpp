// Shorthand for reading SenML packs, for their tests.
#pragma once

#include <catch2/catch.hpp>
#include <cctype>
#include <string>
#include <string_view>
#include <vector>

#include "core/json_text.hpp"
#include "tickledger/message.hpp"

namespace tickledger::test {

inline const Instant senml_now = instant_of(1'767'225'600'000'000);

/// The bytes of pairs of hexadecimal digits. Other characters between them are ignored.
inline std::string bytes(std::string_view hex) {
    std::string result;
    std::string digits;
    for (const char c : hex) {
        if (std::isxdigit(static_cast<unsigned char>(c)) == 0) continue;
        digits += c;
        if (digits.size() < 2) continue;
        result += static_cast<char>(std::stoi(digits, nullptr, 16));
        digits.clear();
    }
    return result;
}

inline MeterSettings meter(Ratio pulse_value_l = {1, 1}) {
    MeterSettings settings;
    settings.message = MessageForm::senml;
    settings.pulse_value_l = pulse_value_l;
    return settings;
}

inline std::vector<Reading> read(std::string_view pack, const MeterSettings& settings = meter()) {
    const auto readings = decode(pack, settings, senml_now);
    INFO(pack);
    if (!readings) FAIL(readings.error().text);
    return *readings;
}

inline std::string error_of(std::string_view pack, const MeterSettings& settings = meter()) {
    const auto readings = decode(pack, settings, senml_now);
    INFO(pack);
    REQUIRE_FALSE(readings);
    REQUIRE(is_utf8(readings.error().text));
    return readings.error().text;
}

}  // namespace tickledger::test
