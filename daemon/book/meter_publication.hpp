// One thing that is told of a meter, to the broker and to those who watch over HTTP.
#pragma once

#include <cstdint>
#include <string>

#include "tickledger/meter.hpp"

namespace tickledger {

struct MeterPublication {
    enum class Kind : std::uint8_t {
        now,    ///< The present flow and what the register shows.
        usage,  ///< An interval that closed, or was corrected.
        day,    ///< The last closed day.
        alarm,  ///< The newest alarm of a kind.
    };

    Kind kind = Kind::now;
    std::string meter;
    /// A JSON object.
    std::string payload;
    /// Of an alarm; without meaning elsewhere.
    AlarmKind alarm = AlarmKind::night_flow;

    /// Below the root: "meters/house/usage", "meters/house/alarms/night-flow".
    [[nodiscard]] std::string topic() const;
    /// Whether it is a state, of which the broker keeps the last one, and not an event.
    [[nodiscard]] bool is_retained() const { return kind != Kind::usage; }
};

}  // namespace tickledger
