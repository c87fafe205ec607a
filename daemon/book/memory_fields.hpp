// The fields of a meter's memory: one list for both writing and reading.
//
// Ledgers store the fields in the order of the calls. Never reorder or remove a call; a new one may stand
// anywhere. Its default must be 0, false or empty, because such values are not stored. A new field also needs
// a name in book/field_names.hpp. Without one the code does not compile. Some names are those of older
// ledgers: "placed" is time_estimated, "sight" is observation.
#pragma once

#include "book/account.hpp"

namespace tickledger {

template <typename Archive>
void fields(Archive& archive, Stillness& night) {
    night.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, SlowLeak& slow_leak) {
    slow_leak.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, HighFlow& high_flow) {
    high_flow.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, LongDraw& long_draw) {
    long_draw.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, Observation& observation) {
    archive("at", observation.at), archive("count", observation.count), archive("boot", observation.boot);
    archive("seq", observation.seq), archive("saved", observation.saved),
        archive("uptime", observation.uptime);
    archive("placed", observation.time_estimated), archive("arrived_at", observation.arrived_at);
    archive("no_earlier", observation.no_earlier), archive("hurry_from", observation.hurry_from);
    archive("hurried", observation.hurried), archive("node_time", observation.node_time);
}

template <typename Archive>
void fields(Archive& archive, Held& held) {
    archive("sight", held.observation), archive("restart_from", held.restart_from);
    archive("reverse", held.is_reverse);
}

template <typename Archive>
void fields(Archive& archive, NumberRun& run) {
    archive("boot", run.first.boot), archive("seq", run.first.seq), archive("count", run.count);
    archive("more", run.more);
}

template <typename Archive>
void fields(Archive& archive, RanBack& ran_back) {
    archive("span", ran_back.span), archive("ticks", ran_back.ticks);
}

template <typename Archive>
void fields(Archive& archive, RecentPack& pack) {
    archive("fingerprint", pack.fingerprint), archive("at", pack.arrived_at);
}

template <typename Archive>
void fields(Archive& archive, AppliedPulseValue& value) {
    archive("from", value.from), archive("n", value.numerator), archive("d", value.denominator);
}

template <typename Archive>
void fields(Archive& archive, RegisterMemory& memory) {
    archive("first_at", memory.first_at), archive("start_ul", memory.start_ul);
    archive("read_by_eye_at", memory.read_by_eye_at), archive("pulse_values", memory.pulse_values);
}

template <typename Archive>
void fields(Archive& archive, HeldMessage& message) {
    archive("at", message.arrived_at), archive("topic", message.topic), archive("payload", message.payload);
}

template <typename Archive>
void fields(Archive& archive, Reading& reading) {
    archive("count", reading.count), archive("time", reading.time), archive("boot", reading.boot);
    archive("seq", reading.seq), archive("saved", reading.saved), archive("uptime", reading.uptime);
}

template <typename Archive>
void fields(Archive& archive, KeptReading& kept) {
    archive("reading", kept.reading), archive("message", kept.message);
}

template <typename Archive>
void fields(Archive& archive, NodeBacklog& backlog) {
    archive("readings", backlog.readings), archive("burst", backlog.is_burst);
    archive("follows_burst", backlog.follows_burst), archive("booked", backlog.booked);
    archive("silent_since", backlog.silent_since);
}

template <typename Archive>
void fields(Archive& archive, ToldAway& away) {
    archive("from", away.from), archive("to", away.to), archive("configured", away.configured);
}

template <typename Archive>
void fields(Archive& archive, AccountMemory& memory) {
    archive("last", memory.counter.last), archive("held", memory.counter.held);
    archive("total_ticks", memory.total_ticks), archive("closed_until", memory.closed_until);
    archive("register", memory.meter_register);
    archive("heard_at", memory.heard_at), archive("heard_since", memory.heard_since);
    archive("away", memory.away), archive("last_span", memory.last_span);
    archive("last_span_ticks", memory.last_span_ticks), archive("still_since", memory.still_since);
    archive("night", memory.night), archive("clock_night", memory.clock_night);
    archive("ran_back", memory.ran_back), archive("undrawn_since", memory.undrawn_since);
    archive("last_drawn", memory.last_drawn), archive("slow_leak", memory.slow_leak);
    archive("high_flow", memory.high_flow), archive("long_draw", memory.long_draw);
    archive("faults", memory.faults);
    archive("slow_leak_period", memory.slow_leak_period), archive("recent_packs", memory.recent_packs);
    archive("set_aside", memory.set_aside);
    archive("clock_disbelieved", memory.clock_disbelieved), archive("held_message", memory.held_message);
    archive("backlog", memory.backlog), archive("speaks_faster", memory.speaks_faster);
}

}  // namespace tickledger
