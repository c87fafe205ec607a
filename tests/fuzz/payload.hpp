// Checks for every payload, whatever the settings of its meter.
#pragma once

#include "fuzz/fuzz.hpp"
#include "tickledger/message.hpp"

namespace tickledger::fuzz {

/// 2026-03-01T07:00:00Z
inline constexpr Instant arrived_at = instant_of(1'772'348'400'000'000);

/// The start of 0001-01-01 and the end of the year 9999.
inline constexpr Instant first_written = instant_of(-62'135'596'800'000'000);
inline constexpr Instant last_written = instant_of(253'402'300'799'999'999);

inline void must_be_a_reading(const Reading& reading, const MeterSettings& meter) {
    const bool counts = meter.message != MessageForm::pulses;
    if (counts && meter.counter_bits > 0)
        must(reading.count >> static_cast<unsigned>(meter.counter_bits) == 0,
             "a count is below 2^counter_bits");
    must(reading.count <= static_cast<std::uint64_t>(INT64_MAX), "a count can be added up");
    // Booking does not believe times outside the calendar's years.
    if (reading.time && *reading.time >= first_written && *reading.time <= last_written) {
        const auto again = parse_rfc3339(format_utc(*reading.time));
        must(again && *again == *reading.time, "an accepted time can be written and read back");
    }
    if (reading.uptime) must(*reading.uptime >= Duration::zero(), "an uptime is not negative");
}

/// Decodes the payload and checks the readings.
inline Result<std::vector<Reading>> decoded(std::string_view payload, const MeterSettings& meter) {
    auto readings = decode(payload, meter, arrived_at);
    if (!readings) {
        must_be_a_sentence(readings.error().text);
        return readings;
    }
    must(payload.size() <= payload_max_bytes, "a payload that is too large is refused");
    must(!readings->empty(), "an accepted payload has a reading");
    must(meter.message == MessageForm::senml || readings->size() == 1, "JSON holds one reading");
    for (const Reading& reading : *readings)
        must_be_a_reading(reading, meter);
    return readings;
}

inline bool same(const Reading& a, const Reading& b) {
    return a.count == b.count && a.time == b.time && a.boot == b.boot && a.seq == b.seq &&
           a.saved == b.saved && a.uptime == b.uptime;
}

}  // namespace tickledger::fuzz
