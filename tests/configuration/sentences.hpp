// The sentences about a configuration, as one text to compare with.
#pragma once

#include <fmt/format.h>

#include <string>
#include <string_view>

#include "configuration/configuration.hpp"

namespace tickledger::testing {

inline std::string joined(const ConfigurationReading& reading) {
    std::string out;
    for (const Mistake& mistake : reading.mistakes) {
        out += (out.empty() ? "" : "\n") + mistake.sentence();
    }
    return out;
}

inline std::string sentences_of(std::string_view text) {
    return joined(read_configuration_text(text, "t.toml"));
}

/// The sentences about a valid meter of three lines, followed by these lines.
inline std::string of_meter(std::string_view lines) {
    return sentences_of(
        fmt::format("[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n{}\n", lines));
}

/// The sentences about these lines, followed by a valid meter.
inline std::string of_file(std::string_view lines) {
    return sentences_of(
        fmt::format("{}\n[[meter]]\nid = \"house\"\ntopic = \"nodes/cellar/water\"\n", lines));
}

}  // namespace tickledger::testing
