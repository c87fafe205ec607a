// The form of recordings and of the message log: one JSON object a line (docs/recordings.md).
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "tickledger/message.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The link to the broker went up or down.
struct LinkChange {
    Instant at{};
    bool up = false;
    /// The broker had kept our session, so messages may have waited there.
    bool session_present = false;
};

/// A message that arrived while the server's clock was not set. Its stamp means nothing. The time since the
/// machine's start dates it once a ClockSet of the same start follows.
struct Unclocked {
    Message message;
    Duration since_boot{};
};

/// From here on the clock is right. Either it was not set before, or the stamps turned out to be ahead of the
/// time.
struct ClockSet {
    Instant at{};
    Duration since_boot{};
    /// The true time at this stamp, if the stamps were ahead of it.
    std::optional<Instant> time = {};
};

/// What a person told the daemon to do, through its socket. It is among the messages in the log and takes
/// effect in its turn. So it survives a kill, a recovery and a replay as messages do.
struct Instruction {
    Instant at{};
    /// A compact JSON object. Its `do` names what is to be done (see book/instructions.cpp).
    std::string document;
};

/// Something that happened, in the order in which the log holds it.
using Event = std::variant<Message, LinkChange, Unclocked, ClockSet, Instruction>;

[[nodiscard]] Instant time_of(const Event& event);
[[nodiscard]] Instant& stamp_of(Event& event);

/// One line without its newline. A payload or topic that is not UTF-8 is written as base64 under
/// `payload_base64` or `topic_base64`, so that all bytes are preserved.
[[nodiscard]] std::string to_line(const Event& event);

/// Reads a line. `tst` has Z or an offset (with or without colon). `payload` is a string or any JSON value,
/// which becomes its compact text; null is an empty payload, as mosquitto_sub writes it. Unknown keys are
/// ignored. Fails with what is missing or wrong.
[[nodiscard]] Result<Event> parse_line(std::string_view line);

/// The same without the fast way for plain lines (store/line_scanner.hpp), which must agree with it.
[[nodiscard]] Result<Event> parse_general_line(std::string_view line);

}  // namespace tickledger
