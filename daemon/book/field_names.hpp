// The numbers of the fields in the record of a meter's memory.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <string_view>

namespace tickledger {

/// A field's number is its index here. Ledgers store the numbers, so only ever add names at the end. Every
/// number below 128 takes one byte.
inline constexpr auto field_names = std::to_array<std::string_view>({"",
                                                                     "last",
                                                                     "at",
                                                                     "count",
                                                                     "boot",
                                                                     "seq",
                                                                     "arrived_at",
                                                                     "register",
                                                                     "first_at",
                                                                     "total_ticks",
                                                                     "closed_until",
                                                                     "heard_at",
                                                                     "last_span",
                                                                     "night",
                                                                     "last_span_ticks",
                                                                     "still_since",
                                                                     "from",
                                                                     "to",
                                                                     "still_for",
                                                                     "seen_to",
                                                                     "still_from",
                                                                     "maybe_from",
                                                                     "longest_from",
                                                                     "longest_to",
                                                                     "slow_leak",
                                                                     "rungs",
                                                                     "high_flow",
                                                                     "block",
                                                                     "ticks",
                                                                     "length_before",
                                                                     "long_draw",
                                                                     "last_to",
                                                                     "run_ticks",
                                                                     "ticks_before",
                                                                     "first_to",
                                                                     "run_from",
                                                                     "low_from",
                                                                     "lone",
                                                                     "lone_count",
                                                                     "still_h",
                                                                     "longest_maybe",
                                                                     "held",
                                                                     "heard_since",
                                                                     "away",
                                                                     "clock_night",
                                                                     "ran_back",
                                                                     "undrawn_since",
                                                                     "last_drawn",
                                                                     "faults",
                                                                     "slow_leak_period",
                                                                     "recent_packs",
                                                                     "set_aside",
                                                                     "clock_disbelieved",
                                                                     "held_message",
                                                                     "backlog",
                                                                     "saved",
                                                                     "uptime",
                                                                     "placed",
                                                                     "no_earlier",
                                                                     "hurry_from",
                                                                     "node_time",
                                                                     "sight",
                                                                     "restart_from",
                                                                     "reverse",
                                                                     "span",
                                                                     "fingerprint",
                                                                     "n",
                                                                     "d",
                                                                     "start_ul",
                                                                     "read_by_eye_at",
                                                                     "pulse_values",
                                                                     "topic",
                                                                     "payload",
                                                                     "time",
                                                                     "reading",
                                                                     "message",
                                                                     "readings",
                                                                     "burst",
                                                                     "follows_burst",
                                                                     "configured",
                                                                     "booked",
                                                                     "speaks_faster",
                                                                     "more",
                                                                     "hurried",
                                                                     "silent_since"});

/// A field's name, and its number, which is found at compile time.
struct FieldName {
    // A name that is missing in field_names does not compile.
    // NOLINTNEXTLINE(google-explicit-constructor): archive("at", …) reads as what it is.
    consteval FieldName(const char* name)
        : text(name),
          number(static_cast<std::uint64_t>(
              std::find(field_names.begin(), field_names.end(), std::string_view(name)) -
              field_names.begin())) {
        if (number == field_names.size()) throw "add this field's name to the end of field_names";
    }
    const char* text;
    std::uint64_t number;
};

}  // namespace tickledger
