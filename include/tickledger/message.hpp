// A message from the broker, and the readings that it decodes to.
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

/// A message as it is in the message log. Owns its text.
struct Message {
    /// When it arrived: the time stamp of the log, which never goes back.
    Instant arrived_at{};
    std::string topic;
    std::string payload;
    int qos = 1;
    /// The broker's retained copy, sent because of our subscription.
    bool retained = false;
    /// The broker's DUP flag. It says nothing about the node.
    bool redelivered = false;
};

/// What one message says about a meter's counter at one moment.
struct Reading {
    /// The cumulative count (counter, senml, volume), or the ticks since the previous message (pulses).
    std::uint64_t count = 0;
    /// The time that the node gave. Booking decides whether to believe it.
    std::optional<Instant> time{};
    /// A fingerprint of the `boot` field. Equal texts or numbers have equal fingerprints.
    std::optional<std::uint64_t> boot{};
    std::optional<std::uint64_t> seq{};
    std::optional<std::uint64_t> saved{};
    std::optional<Duration> uptime{};
};

/// The largest payload that is decoded.
inline constexpr std::size_t payload_max_bytes = 64 * 1024;

/// Decodes a payload according to the meter's settings. `arrived_at` resolves the relative times of SenML.
///
/// Counter, pulses and volume give one reading. A SenML pack gives its meter's records in order of time.
/// Whole numbers may be written 1000.0.
///
/// Fails with a sentence that names the field: not JSON, no such field, a wrong type, a negative or
/// fractional count, a count of 2^counter_bits or more, too large. Throws nothing.
[[nodiscard]] Result<std::vector<Reading>> decode(std::string_view payload, const MeterSettings& meter,
                                                  Instant arrived_at);

/// True if an MQTT topic filter (with + and #) matches a topic. MQTT 3.1.1 section 4.7.
[[nodiscard]] bool topic_matches(std::string_view filter, std::string_view topic);

/// The part of the topic that the first + of the filter matched. Nothing if the filter has no + or does not
/// match.
[[nodiscard]] std::optional<std::string> first_wildcard(std::string_view filter, std::string_view topic);

/// A 64-bit fingerprint (FNV-1a) of a text: for `boot` fields, repeated packs and refused payloads.
[[nodiscard]] std::uint64_t fingerprint(std::string_view text);

}  // namespace tickledger
