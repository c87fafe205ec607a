#include "store/recording.hpp"

#include <nlohmann/json.hpp>
#include <utility>

#include "core/base64.hpp"
#include "core/json_text.hpp"
#include "core/json_writer.hpp"
#include "store/line_scanner.hpp"

namespace tickledger {

namespace {

/// Appends a text member. Bytes that are not UTF-8 are written as base64 under `<name>_base64`.
void append_bytes(std::string& line, std::string_view name, std::string_view bytes) {
    const bool is_text = is_utf8(bytes);
    line += ",\"";
    line += name;
    line += is_text ? "\":" : "_base64\":";
    if (is_text) {
        append_json_string(line, bytes);
    } else {
        append_json_string(line, to_base64(bytes));
    }
}

void append_event(std::string& line, const Message& message) {
    append_bytes(line, "topic", message.topic);
    line += ",\"qos\":";
    line += std::to_string(message.qos);
    line += message.retained ? ",\"retain\":1" : ",\"retain\":0";
    if (message.redelivered) line += ",\"dup\":1";
    append_bytes(line, "payload", message.payload);
}

void append_event(std::string& line, const LinkChange& change) {
    line += change.up ? ",\"link\":\"up\"" : ",\"link\":\"down\"";
    line += change.session_present ? ",\"session_present\":true" : ",\"session_present\":false";
}

void append_since_boot(std::string& line, Duration since_boot) {
    line += ",\"since_boot_us\":";
    line += std::to_string(since_boot.count());
}

void append_event(std::string& line, const Unclocked& unclocked) {
    append_event(line, unclocked.message);
    append_since_boot(line, unclocked.since_boot);
}

void append_event(std::string& line, const ClockSet& set) {
    line += ",\"clock\":\"set\"";
    append_since_boot(line, set.since_boot);
    if (set.time) line += ",\"time\":\"" + format_utc(*set.time) + '"';
}

void append_event(std::string& line, const Instruction& instruction) {
    line += ",\"instruction\":";
    line += instruction.document;
}

// Reading back what others wrote.

using nlohmann::json;

/// `name` as bytes: a string, or base64 under `<name>_base64`. Nothing if the line has neither.
[[nodiscard]] Result<std::optional<std::string>> bytes_of(const json& object, const char* name) {
    const std::string base64_name = std::string(name) + "_base64";
    if (const auto found = object.find(base64_name); found != object.end()) {
        if (!found->is_string()) return fail("The line's `" + base64_name + "` is not a string.");
        auto bytes = from_base64(found->get_ref<const std::string&>());
        if (!bytes) return fail("The line's `" + base64_name + "` is not base64.");
        return std::optional(std::move(*bytes));
    }
    const auto found = object.find(name);
    if (found == object.end()) return std::optional<std::string>{};
    if (found->is_string()) return std::optional(found->get<std::string>());
    // mosquitto_sub writes null for an empty payload.
    if (found->is_null()) return std::optional(std::string{});
    return std::optional(found->dump());
}

/// A flag or a small number, in the forms that writers use: 0, 1, true, false.
[[nodiscard]] Result<int> small_number(const json& object, const char* name, int otherwise, int most) {
    const auto found = object.find(name);
    if (found == object.end() || found->is_null()) return otherwise;
    if (found->is_boolean()) return found->get<bool>() ? 1 : 0;
    if (found->is_number_unsigned() && found->get<std::uint64_t>() <= static_cast<std::uint64_t>(most)) {
        return found->get<int>();
    }
    return fail("The line's `" + std::string(name) + "` is not a whole number from 0 to " +
                std::to_string(most) + ".");
}

[[nodiscard]] Result<Event> link_change(const json& object, Instant at) {
    const json& link = object["link"];
    if (link != "up" && link != "down") return fail("The line's `link` is neither \"up\" nor \"down\".");
    auto session_present = small_number(object, "session_present", 0, 1);
    if (!session_present) return tl::unexpected<Error>(std::move(session_present.error()));
    return LinkChange{at, link == "up", *session_present == 1};
}

/// The time since the machine's start. Nothing if the line has none.
[[nodiscard]] Result<std::optional<Duration>> since_boot_of(const json& object) {
    const auto found = object.find("since_boot_us");
    if (found == object.end()) return std::optional<Duration>{};
    if (!found->is_number_integer()) return fail("The line's `since_boot_us` is not a whole number.");
    // A hundred years: no machine runs longer, and added to a time it does not overflow.
    constexpr std::int64_t most_us = std::int64_t{100} * 366 * 24 * 3600 * 1'000'000;
    const bool fits = found->is_number_unsigned() && found->get<std::uint64_t>() <= std::uint64_t{most_us};
    if (!fits) return fail("The line's `since_boot_us` is not a time since a machine's start.");
    return std::optional(Duration{found->get<std::int64_t>()});
}

[[nodiscard]] Result<Event> clock_set(const json& object, Instant at) {
    if (object["clock"] != "set") return fail("The line's `clock` is not \"set\".");
    const auto since_boot = since_boot_of(object);
    if (!since_boot) return tl::unexpected<Error>(since_boot.error());
    if (!*since_boot) return fail("The line's `clock` lacks its `since_boot_us`.");
    const auto time = object.find("time");
    if (time == object.end()) return ClockSet{at, **since_boot};
    const auto told = time->is_string() ? parse_rfc3339(time->get_ref<const std::string&>()) : fail("");
    if (!told) return fail("The line's `time` is not an RFC 3339 time.");
    return ClockSet{at, **since_boot, *told};
}

[[nodiscard]] Result<Event> instruction(const json& object, Instant at) {
    const json& document = object["instruction"];
    if (!document.is_object()) return fail("The line's `instruction` is not a JSON object.");
    return Instruction{at, document.dump()};
}

[[nodiscard]] Result<Event> message(const json& object, Instant at) {
    auto topic = bytes_of(object, "topic");
    auto payload = bytes_of(object, "payload");
    auto qos = small_number(object, "qos", 0, 2);
    auto retain = small_number(object, "retain", 0, 1);
    auto dup = small_number(object, "dup", 0, 1);
    for (const auto* field : {&topic, &payload}) {
        if (!*field) return tl::unexpected<Error>(field->error());
    }
    for (const auto* field : {&qos, &retain, &dup}) {
        if (!*field) return tl::unexpected<Error>(field->error());
    }
    if (!*topic) return fail("The line has no `topic`.");
    if (!*payload) return fail("The line has no `payload`.");
    const auto since_boot = since_boot_of(object);
    if (!since_boot) return tl::unexpected<Error>(since_boot.error());
    Message message{at, std::move(**topic), std::move(**payload), *qos, *retain == 1, *dup == 1};
    if (*since_boot) return Unclocked{std::move(message), **since_boot};
    return message;
}

}  // namespace

Result<Event> parse_general_line(std::string_view line) {
    auto object = parse_json(line);
    if (!object) return fail("The line is not JSON: " + object.error().text);
    if (!object->is_object()) return fail("The line is not a JSON object.");
    const auto stamp = object->find("tst");
    if (stamp == object->end()) return fail("The line has no `tst`, the time of arrival.");
    if (!stamp->is_string()) return fail("The line's `tst` is not a string.");
    const auto at = parse_rfc3339(stamp->get_ref<const std::string&>());
    if (!at)
        return fail("The line's `tst` is not an RFC 3339 time: \"" + excerpt(stamp->get<std::string>()) +
                    "\".");
    if (object->contains("link")) return link_change(*object, *at);
    if (object->contains("clock")) return clock_set(*object, *at);
    if (object->contains("instruction")) return instruction(*object, *at);
    return message(*object, *at);
}

Instant& stamp_of(Event& event) {
    if (auto* message = std::get_if<Message>(&event)) return message->arrived_at;
    if (auto* unclocked = std::get_if<Unclocked>(&event)) return unclocked->message.arrived_at;
    if (auto* set = std::get_if<ClockSet>(&event)) return set->at;
    if (auto* instruction = std::get_if<Instruction>(&event)) return instruction->at;
    return std::get<LinkChange>(event).at;
}

Instant time_of(const Event& event) {
    return stamp_of(const_cast<Event&>(event));
}

std::string to_line(const Event& event) {
    std::string line;
    if (const auto* message = std::get_if<Message>(&event)) {
        line.reserve(96 + message->topic.size() + message->payload.size() * 5 / 4);
    }
    line += "{\"tst\":\"";
    line += format_utc(time_of(event));
    line += '"';
    std::visit([&](const auto& what) { append_event(line, what); }, event);
    line += '}';
    return line;
}

Result<Event> parse_line(std::string_view line) {
    if (auto event = scan_line(line)) return std::move(*event);
    return parse_general_line(line);
}

}  // namespace tickledger
