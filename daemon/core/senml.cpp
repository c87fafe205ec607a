#include "core/senml.hpp"

#include <algorithm>
#include <set>
#include <utility>

#include "core/count_limit.hpp"
#include "core/json_text.hpp"
#include "core/senml_records.hpp"

namespace tickledger {

namespace {

using boost::multiprecision::cpp_int;

[[nodiscard]] bool is_count(const ResolvedRecord& record) {
    return record.unit == "count";
}
[[nodiscard]] bool is_volume(const ResolvedRecord& record) {
    return record.unit == "m3" || record.unit == "l";
}

/// The whole pulse values in a volume. A volume that lacks at most half a millionth of a pulse value counts
/// as full: nodes that compute with binary fractions write 28.999999999999996 when they mean 29.
[[nodiscard]] cpp_int ticks_in(const ExactNumber& volume, const std::string& unit, Ratio pulse_value_l) {
    constexpr int tolerances = 2'000'000;
    const cpp_int volume_l = volume * (unit == "m3" ? 1000 : 1);
    const cpp_int numerator = volume_l * pulse_value_l.denominator;
    const cpp_int denominator = exact_one() * pulse_value_l.numerator;
    return floor_of(numerator * tolerances + denominator, denominator * tolerances);
}

/// The number in decimals, for errors.
[[nodiscard]] std::string text_of(const ExactNumber& number) {
    const cpp_int magnitude = boost::multiprecision::abs(number);
    std::string text = (number < 0 ? "-" : "") + cpp_int{magnitude / exact_one()}.str();
    std::string fraction = cpp_int{magnitude % exact_one() + exact_one()}.str().replace(0, 1, ".");
    fraction.erase(fraction.find_last_not_of('0') + 1);
    return excerpt(fraction == "." ? text : text + fraction);
}

/// Some of the names, quoted: enough to see what is meant.
[[nodiscard]] std::string listed(const std::set<std::string>& names) {
    constexpr int most = 8;
    std::string text;
    int shown = 0;
    for (const std::string& name : names) {
        if (shown++ == most) return text + ", …";
        text += (text.empty() ? "\"" : ", \"") + excerpt(name) + "\"";
    }
    return text.empty() ? "none" : text;
}

/// The meter's records: those with its name, in units that count water.
[[nodiscard]] Result<std::vector<ResolvedRecord>> records_of_meter(std::vector<ResolvedRecord> records,
                                                                   const MeterSettings& meter) {
    std::set<std::string> names;
    std::set<std::string> units;
    for (const ResolvedRecord& record : records)
        units.insert(record.unit);
    std::erase_if(records,
                  [](const ResolvedRecord& record) { return !is_count(record) && !is_volume(record); });
    for (const ResolvedRecord& record : records)
        names.insert(record.name);
    if (records.empty()) {
        return fail("The pack holds no record in the units count, m3 or l; its units: " + listed(units) +
                    ".");
    }
    if (meter.senml_name.empty() && names.size() > 1) {
        return fail("The pack has counts or volumes for several names: " + listed(names) +
                    ". Set `senml_name` to the meter's name.");
    }
    if (!meter.senml_name.empty()) {
        std::erase_if(records, [&](const ResolvedRecord& record) { return record.name != meter.senml_name; });
        if (records.empty()) {
            return fail("The pack has no count or volume for `senml_name` \"" + excerpt(meter.senml_name) +
                        "\"; its names: " + listed(names) + ".");
        }
    }
    const auto counts = std::count_if(records.begin(), records.end(), is_count);
    if (counts != 0 && static_cast<std::size_t>(counts) != records.size()) {
        return fail("The pack has counts and volumes for the same name. Send only one of the two.");
    }
    return records;
}

[[nodiscard]] Result<Reading> to_reading(const ResolvedRecord& record, const MeterSettings& meter) {
    if (!record.value) return fail("A record in the unit " + record.unit + " holds no number in `v`.");
    const ExactNumber& value = *record.value;
    if (value < 0) {
        return fail("The value `v` is " + text_of(value) + " " + record.unit + ": it cannot be negative.");
    }
    if (is_count(record) && value % exact_one() != 0) {
        return fail("The value `v` is " + text_of(value) + " count: a count must be a whole number.");
    }
    const cpp_int ticks =
        is_count(record) ? cpp_int{value / exact_one()} : ticks_in(value, record.unit, meter.pulse_value_l);
    if (ticks >= count_limit(meter.counter_bits)) {
        return tl::unexpected<Error>(
            count_too_large("v", text_of(value) + " " + record.unit, meter.counter_bits));
    }
    Reading reading;
    reading.count = static_cast<std::uint64_t>(ticks);
    reading.time = record.time;
    return reading;
}

}  // namespace

Result<std::vector<Reading>> decode_senml(std::string_view payload, const MeterSettings& meter,
                                          Instant arrived_at) {
    auto resolved = resolve_senml(payload, arrived_at);
    if (!resolved) return tl::unexpected<Error>(std::move(resolved.error()));
    const auto records = records_of_meter(std::move(*resolved), meter);
    if (!records) return tl::unexpected<Error>(records.error());
    std::vector<Reading> readings;
    readings.reserve(records->size());
    for (const ResolvedRecord& record : *records) {
        auto reading = to_reading(record, meter);
        if (!reading) return tl::unexpected<Error>(std::move(reading.error()));
        readings.push_back(*reading);
    }
    return readings;
}

}  // namespace tickledger
