// One publication about a meter, for the broker and for clients that watch over HTTP.
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
    /// The kind of an alarm. It has no meaning for other publications.
    AlarmKind alarm = AlarmKind::night_flow;

    /// The topic below the root: "meters/house/usage", "meters/house/alarms/night-flow".
    [[nodiscard]] std::string topic() const;
    /// True for a state, of which the broker keeps the last one. False for an event.
    [[nodiscard]] bool is_retained() const { return kind != Kind::usage; }
};

}  // namespace tickledger
