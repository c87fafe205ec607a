// Events for the tests of recordings and of the message log.
#pragma once

#include <rapidcheck.h>

#include <string>

#include "store/recording.hpp"

namespace tickledger::test {

/// Everything that an event holds, as text that can be compared and printed.
[[nodiscard]] inline std::string shown(const Event& event) {
    if (const auto* change = std::get_if<LinkChange>(&event)) {
        return "link " + std::to_string(microseconds_of(change->at)) + (change->up ? " up" : " down") +
               (change->session_present ? " session" : "");
    }
    if (const auto* instruction = std::get_if<Instruction>(&event)) {
        return "instruction " + std::to_string(microseconds_of(instruction->at)) + " " +
               instruction->document;
    }
    const auto& message = std::get<Message>(event);
    return "message " + std::to_string(microseconds_of(message.arrived_at)) + " [" + message.topic + "] [" +
           message.payload + "] qos " + std::to_string(message.qos) + (message.retained ? " retained" : "") +
           (message.redelivered ? " redelivered" : "");
}

/// Texts that look like payloads, texts full of characters that must be escaped, and any bytes.
[[nodiscard]] inline rc::Gen<std::string> payloads() {
    return rc::gen::oneOf(
        rc::gen::element<std::string>(R"({"count":1234,"boot":"a7","seq":9})", "", "17", "\"quoted\" \\ back",
                                      "tab\tline\nend\r", "Zählerstand 7 m³ €", std::string("\0x", 2)),
        rc::gen::container<std::string>(
            rc::gen::element('"', '\\', '\n', '\x1f', '\x7f', 'u', '0', '{', '}')),
        rc::gen::container<std::string>(rc::gen::map(rc::gen::inRange(0, 256), [](int byte) {
            return static_cast<char>(static_cast<unsigned char>(byte));
        })));
}

[[nodiscard]] inline rc::Gen<Instant> instants() {
    // The years 1970 to 9999.
    return rc::gen::map(rc::gen::inRange<std::int64_t>(0, 253'402'300'800'000'000), instant_of);
}

[[nodiscard]] inline rc::Gen<Event> events() {
    const auto messages =
        rc::gen::map(rc::gen::tuple(instants(), payloads(), payloads(), rc::gen::inRange(0, 3),
                                    rc::gen::arbitrary<bool>(), rc::gen::arbitrary<bool>()),
                     [](auto parts) { return Event{std::make_from_tuple<Message>(std::move(parts))}; });
    const auto changes =
        rc::gen::map(rc::gen::tuple(instants(), rc::gen::arbitrary<bool>(), rc::gen::arbitrary<bool>()),
                     [](auto parts) { return Event{std::make_from_tuple<LinkChange>(std::move(parts))}; });
    const auto instructions =
        rc::gen::map(rc::gen::pair(instants(), rc::gen::arbitrary<std::uint32_t>()), [](auto parts) {
            return Event{Instruction{parts.first, R"({"do":"a","x":)" + std::to_string(parts.second) + "}"}};
        });
    return rc::gen::weightedOneOf<Event>({{5, messages}, {1, changes}, {1, instructions}});
}

}  // namespace tickledger::test
