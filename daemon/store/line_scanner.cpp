#include "store/line_scanner.hpp"

#include <simdjson.h>

#include <utility>

namespace tickledger {

namespace {

// Longer lines take the general way, so that the parser's memory stays small.
constexpr std::size_t line_max_bytes = 256 * 1024;

/// The members of plain lines. Nothing for a member that the line lacks.
struct Members {
    std::optional<std::string_view> tst, topic, payload, link;
    std::optional<std::uint64_t> qos, retain, dup;
    std::optional<bool> session_present;
};

template <typename T>
[[nodiscard]] bool take(simdjson::dom::element value, std::optional<T>& member) {
    T taken{};
    // If a member comes twice, the general way decides which one counts.
    if (member || value.get(taken) != simdjson::SUCCESS) return false;
    member = taken;
    return true;
}

[[nodiscard]] bool take_member(std::string_view name, simdjson::dom::element value, Members& members) {
    if (name == "tst") return take(value, members.tst);
    if (name == "topic") return take(value, members.topic);
    if (name == "payload") return take(value, members.payload);
    if (name == "qos") return take(value, members.qos);
    if (name == "retain") return take(value, members.retain);
    if (name == "dup") return take(value, members.dup);
    if (name == "link") return take(value, members.link);
    if (name == "session_present") return take(value, members.session_present);
    return false;
}

[[nodiscard]] std::optional<Event> message_of(const Members& line, Instant at) {
    const auto flag = [](std::optional<std::uint64_t> member) { return member.value_or(0) <= 1; };
    if (!line.topic || !line.payload || line.link || line.session_present) return std::nullopt;
    if (line.qos.value_or(0) > 2 || !flag(line.retain) || !flag(line.dup)) return std::nullopt;
    return Message{.arrived_at = at,
                   .topic = std::string(*line.topic),
                   .payload = std::string(*line.payload),
                   .qos = static_cast<int>(line.qos.value_or(0)),
                   .retained = line.retain == 1U,
                   .redelivered = line.dup == 1U};
}

[[nodiscard]] std::optional<Event> link_change_of(const Members& line, Instant at) {
    if (line.topic || line.payload || (line.link != "up" && line.link != "down")) return std::nullopt;
    return LinkChange{at, line.link == "up", line.session_present.value_or(false)};
}

}  // namespace

std::optional<Event> scan_line(std::string_view text) {
    if (text.size() > line_max_bytes) return std::nullopt;
    // The parser keeps its memory from line to line. Booking and the start read in threads of their own.
    thread_local simdjson::dom::parser parser;
    simdjson::dom::object object;
    if (parser.parse(text.data(), text.size()).get(object) != simdjson::SUCCESS) return std::nullopt;
    Members members;
    for (const auto [name, value] : object) {
        if (!take_member(name, value, members)) return std::nullopt;
    }
    if (!members.tst) return std::nullopt;
    const auto at = parse_rfc3339(*members.tst);
    if (!at) return std::nullopt;
    return members.link ? link_change_of(members, *at) : message_of(members, *at);
}

}  // namespace tickledger
