#include "tickledger/message.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <utility>

#include "core/count_limit.hpp"
#include "core/json_fields.hpp"
#include "core/json_text.hpp"
#include "core/senml.hpp"
#include "core/volume_ticks.hpp"

namespace tickledger {

namespace {

using Kind = JsonValue::Kind;

/// The fields of one message, in the order in which errors are reported.
enum Place : std::size_t { main_count, boot, seq, time, saved, uptime, place_count };

[[nodiscard]] bool is_absent(const JsonValue& value) {
    return value.kind == Kind::absent || value.kind == Kind::null;
}

[[nodiscard]] tl::unexpected<Error> wrong(const JsonField& field, const std::string& why) {
    return fail("The field `" + std::string(field.name) + "` is " + shown(field.value) + ": " + why);
}

[[nodiscard]] Result<std::uint64_t> read_whole(const JsonField& field) {
    if (field.value.kind != Kind::number) return wrong(field, "a whole number is needed.");
    if (is_negative(field.value.number)) return wrong(field, "it cannot be negative.");
    if (!is_whole(field.value.number)) return wrong(field, "it must be a whole number.");
    const auto number = whole_number(field.value.number);
    if (!number || *number >= count_limit(0)) return wrong(field, "that is too large.");
    return *number;
}

[[nodiscard]] Result<std::uint64_t> read_count(const JsonField& field, int counter_bits) {
    auto count = read_whole(field);
    const auto limit = count_limit(counter_bits);
    const bool is_large = count ? *count >= limit
                                : field.value.kind == Kind::number && is_whole(field.value.number) &&
                                      !is_negative(field.value.number);
    if (!is_large) return count;
    return tl::unexpected<Error>(count_too_large(std::string(field.name), shown(field.value), counter_bits));
}

[[nodiscard]] Result<std::uint64_t> read_required(const JsonField& field, int counter_bits) {
    if (field.value.kind == Kind::absent) {
        const std::string where = field.pointer.empty() ? "" : " at " + excerpt(field.pointer);
        return fail("The message has no field `" + std::string(field.name) + "`" + where +
                    ": check `fields` of the meter.");
    }
    return read_count(field, counter_bits);
}

[[nodiscard]] Result<std::uint64_t> read_volume(const JsonField& field, const MeterSettings& meter) {
    if (field.value.kind == Kind::absent) {
        const std::string where = field.pointer.empty() ? "" : " at " + excerpt(field.pointer);
        return fail("The message has no field `" + std::string(field.name) + "`" + where +
                    ": check `fields` of the meter.");
    }
    std::optional<Decimal> number;
    if (field.value.kind == Kind::number) number = field.value.number;
    if (field.value.kind == Kind::text) {
        number = decimal_in(field.value.text);
        if (!number) return wrong(field, "it must be digits with at most one point, as in \"1234.567\".");
    }
    if (!number) return wrong(field, "a number or a decimal text is needed.");
    if (is_negative(*number)) return wrong(field, "it cannot be negative.");
    const auto ticks = ticks_in(*number, meter.volume_unit_l, meter.pulse_value_l);
    if (!ticks) return wrong(field, "that is too large.");
    const auto range = count_range(meter);
    if (range && *ticks >= *range) {
        return wrong(
            field,
            "the display returns to 0 before it reaches that value: check `rolls_over_at` and `unit`, "
            "or whether this is the right field.");
    }
    return *ticks;
}

[[nodiscard]] Result<std::uint64_t> read_boot(const JsonField& field) {
    std::string text;
    switch (field.value.kind) {
        case Kind::text:
            text = field.value.text;
            break;
        case Kind::number:
            text = canonical_text(field.value.number);
            break;
        default:
            return wrong(field, "a text or a number is needed.");
    }
    // In the ledger, 0 means that no boot was given.
    const auto print = fingerprint(text);
    return print == 0 ? 1 : print;
}

[[nodiscard]] Result<Instant> read_time(const JsonField& field) {
    if (field.value.kind == Kind::number) return Instant{seconds_of(field.value.number)};
    if (field.value.kind == Kind::text) {
        if (const auto time = parse_rfc3339(field.value.text)) return *time;
    }
    return wrong(field, "a time is needed, as RFC 3339 (2026-03-01T07:00:00Z) or as seconds since 1970.");
}

[[nodiscard]] Result<Duration> read_uptime(const JsonField& field) {
    if (field.value.kind != Kind::number) return wrong(field, "a number of seconds is needed.");
    if (is_negative(field.value.number)) return wrong(field, "it cannot be negative.");
    return seconds_of(field.value.number);
}

/// Reads an optional field into its place; a field that is absent leaves the place empty.
template <typename T, typename Read>
[[nodiscard]] Result<void> read_optional(const JsonField& field, Read read, std::optional<T>& place) {
    if (is_absent(field.value)) return {};
    auto value = read(field);
    if (!value) return tl::unexpected<Error>(std::move(value.error()));
    place = *value;
    return {};
}

/// A field that is not configured gets a pointer that matches nothing, because pointers begin with "/".
[[nodiscard]] std::string_view pointer_or_nowhere(const std::optional<std::string>& pointer) {
    return pointer ? std::string_view(*pointer) : std::string_view("nowhere");
}

[[nodiscard]] Result<Reading> decode_json(std::string_view payload, const MeterSettings& meter) {
    const bool pulses = meter.message == MessageForm::pulses;
    const bool volume = meter.message == MessageForm::volume;
    const auto field = [](std::string_view name, const std::optional<std::string>& pointer) {
        return JsonField{name, pointer_or_nowhere(pointer), {}};
    };
    const FieldPointers& at = meter.fields;
    // The fields refer to the pointers' own texts, so a temporary would not do here.
    static const std::optional<std::string> not_read;
    std::array<JsonField, place_count> fields{
        pulses   ? field("pulses", at.pulses)
        : volume ? field("volume", at.volume)
                 : field("count", at.count),
        field("boot", at.boot),
        field("seq", at.seq),
        field("time", at.time),
        // Pulses are not restored, so there is no saved count. A register keeps its count itself.
        field("saved", pulses || volume ? not_read : at.saved),
        field("uptime", at.uptime),
    };
    if (auto read = read_json_fields(payload, fields); !read)
        return tl::unexpected<Error>(std::move(read.error()));

    // Pulses are not a count, so the counter's size does not bound them.
    const int bits = pulses ? 0 : meter.counter_bits;
    const auto read_saved = [bits](const JsonField& saved_field) { return read_count(saved_field, bits); };
    Reading reading;
    const auto count =
        volume ? read_volume(fields[main_count], meter) : read_required(fields[main_count], bits);
    if (!count) return tl::unexpected<Error>(count.error());
    reading.count = *count;
    Result<void> done = read_optional(fields[boot], read_boot, reading.boot);
    if (done) done = read_optional(fields[seq], read_whole, reading.seq);
    if (done) done = read_optional(fields[time], read_time, reading.time);
    if (done) done = read_optional(fields[saved], read_saved, reading.saved);
    if (done) done = read_optional(fields[uptime], read_uptime, reading.uptime);
    if (!done) return tl::unexpected<Error>(std::move(done.error()));
    return reading;
}

}  // namespace

Result<std::vector<Reading>> decode(std::string_view payload, const MeterSettings& meter,
                                    Instant arrived_at) {
    if (payload.empty()) return fail("The payload is empty.");
    if (payload.size() > payload_max_bytes) {
        return fail("The payload has more than " + std::to_string(payload_max_bytes) +
                    " bytes; longer payloads are not read.");
    }
    if (meter.message == MessageForm::senml) return decode_senml(payload, meter, arrived_at);
    auto reading = decode_json(payload, meter);
    if (!reading) return tl::unexpected<Error>(std::move(reading.error()));
    return std::vector<Reading>{*reading};
}

std::uint64_t fingerprint(std::string_view text) {
    // FNV-1a with 64 bits; offset basis and prime as its authors publish them (from memory).
    std::uint64_t hash = 0xcbf29ce484222325U;
    for (const char c : text) {
        hash ^= static_cast<unsigned char>(c);
        hash *= 0x100000001b3U;
    }
    return hash;
}

}  // namespace tickledger
