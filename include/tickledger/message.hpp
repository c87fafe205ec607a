// What arrives, and what it says: a message of the broker, decoded into readings.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/meter.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// A message as it stands in the message log. Owns its text.
struct Message {
    /// When it arrived: the log's stamp, which never goes back.
    Instant arrived_at{};
    std::string topic;
    std::string payload;
    int qos = 1;
    /// The broker's retained copy, sent because we subscribed.
    bool retained = false;
    /// The broker's DUP flag. It says nothing about the node.
    bool redelivered = false;
};

/// What one message says about a meter's counter at one moment.
struct Reading {
    /// The cumulative count (counter, senml), or the ticks since the message before (pulses).
    std::uint64_t count = 0;
    /// The node's own time, as it told it; believed or not by booking.
    std::optional<Instant> time{};
    /// A fingerprint of the `boot` field: equal for equal texts or numbers.
    std::optional<std::uint64_t> boot{};
    std::optional<std::uint64_t> seq{};
    std::optional<std::uint64_t> saved{};
    std::optional<Duration> uptime{};
};

/// The largest payload that is read.
inline constexpr std::size_t payload_max_bytes = 64 * 1024;

/// Reads a payload as the meter's settings say. `arrived_at` resolves the relative times of SenML.
/// Counter and pulses give one reading; a SenML pack gives its meter's records in order of time.
/// Fails with a sentence that names the field: not JSON, no such field, a wrong type, a negative or
/// fractional count, a count of 2^counter_bits or more, too large. Whole numbers may be written 1000.0.
/// Throws nothing.
[[nodiscard]] Result<std::vector<Reading>> decode(std::string_view payload, const MeterSettings& meter,
                                                  Instant arrived_at);

/// True where an MQTT topic filter (with + and #) matches a topic. MQTT 3.1.1 section 4.7.
[[nodiscard]] bool topic_matches(std::string_view filter, std::string_view topic);

/// What the first + of the filter matched in the topic; nothing where the filter has no + or does not match.
[[nodiscard]] std::optional<std::string> first_wildcard(std::string_view filter, std::string_view topic);

/// A 64-bit fingerprint (FNV-1a) of a text: for `boot` fields, repeated packs and refused payloads.
[[nodiscard]] std::uint64_t fingerprint(std::string_view text);

}  // namespace tickledger
