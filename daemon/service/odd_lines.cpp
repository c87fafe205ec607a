#include "service/odd_lines.hpp"

#include <fmt/format.h>

#include <utility>

namespace tickledger {

namespace {

std::string line_for(const OddMessage& message) {
    switch (message.kind) {
        case OddMessage::Kind::unreadable:
            return fmt::format(
                "A message of {} on {} could not be read: {} It was not booked. Compare what the node sends "
                "with `message` and `fields` of this [[meter]]; `tickledger ledger {}` shows it.",
                message.meter, message.topic, message.text, message.meter);
        case OddMessage::Kind::stray:
            return fmt::format(
                "A reading of {} on {} was not believed: {}. Once or twice, as after a disturbance, is harmless; if it "
                "goes on, look at the sensor, its cable and the node, and whether two nodes send there.",
                message.meter, message.topic, message.text);
        case OddMessage::Kind::unmatched:
            return fmt::format(
                "A message on {} belongs to no meter, so it was not booked. The topic level in place of "
                "{{1}} becomes part of the meter's id, so it may contain only small letters, digits and "
                "hyphens. Rename the topic, or give it a [[meter]] of its own.",
                message.topic);
    }
    return {};
}

}  // namespace

std::optional<std::string> OddLines::pass(const OddMessage& message, Time now) {
    if (now - window_began_ >= quiet_for) {
        window_began_ = now;
        written_ = 0;
    }
    const Key key{message.kind, message.meter, message.topic};
    const auto found = said_.find(key);
    if (found != said_.end() && now - found->second.at < quiet_for) {
        ++found->second.left_out;
        return std::nullopt;
    }
    if (written_ >= lines_max) return std::nullopt;
    ++written_;
    if (said_.size() >= topics_max)
        std::erase_if(said_, [&](const auto& one) { return now - one.second.at >= quiet_for; });
    Said& said = said_[key];
    said.at = now;
    std::string line = line_for(message);
    if (const auto left_out = std::exchange(said.left_out, 0); left_out > 0)
        line += fmt::format(" ({} more like it arrived since the last such line.)", left_out);
    if (written_ == lines_max)
        line +=
            " Further lines are left out for the rest of the hour; `tickledger health` reports the troubles.";
    return line;
}

}  // namespace tickledger
