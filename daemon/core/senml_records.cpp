#include "core/senml_records.hpp"

#include <algorithm>
#include <utility>

#include "core/senml_pack.hpp"

namespace tickledger {

namespace {

using boost::multiprecision::cpp_int;

/// RFC 8428 section 4.4: packs of a later version must not be used.
constexpr std::uint64_t senml_version = 10;
/// Section 4.5.3: smaller times are relative to now.
constexpr std::int64_t smallest_absolute_s = std::int64_t{1} << 28;

constexpr unsigned exact_digits = 40;

[[nodiscard]] cpp_int power_of_ten(unsigned exponent) {
    return boost::multiprecision::pow(cpp_int{10}, exponent);
}

/// Digits below 10^-40 are cut. An exponent beyond 40 counts as 40, which is larger than anything that is
/// counted or measured. A hostile pack must not make us work with more digits.
[[nodiscard]] ExactNumber exact(const Decimal& number) {
    constexpr int reach = static_cast<int>(exact_digits);
    const int shift = std::clamp(number.exponent, -2 * reach, reach) + reach;
    const cpp_int digits{number.digits};
    const cpp_int magnitude = shift < 0 ? cpp_int{digits / power_of_ten(static_cast<unsigned>(-shift))}
                                        : cpp_int{digits * power_of_ten(static_cast<unsigned>(shift))};
    return number.negative ? cpp_int{-magnitude} : magnitude;
}

/// To the nearest microsecond, halves later. Times beyond the years 1 and 9999 become the ends of that range.
[[nodiscard]] Duration microseconds(const ExactNumber& seconds) {
    const cpp_int count = floor_of(seconds * 2'000'000 + exact_one(), exact_one() * 2);
    return Duration{static_cast<std::int64_t>(
        std::clamp(count, cpp_int{seconds_min.count()}, cpp_int{seconds_max.count()}))};
}

/// The base fields that apply to a record: section 4.1.
struct Base {
    std::string name;
    std::string unit;
    ExactNumber time;
    std::optional<ExactNumber> value;

    void take_over(const SenmlRecord& record) {
        if (record.base_name) name = *record.base_name;
        if (record.base_unit) unit = *record.base_unit;
        if (record.base_value) value = exact(*record.base_value);
        if (record.base_time) time = exact(*record.base_time);
    }
};

/// A record that has only base fields sets them for those that follow, as in the example of section 5.1.7.
[[nodiscard]] bool is_measurement(const SenmlRecord& record, const Base& base) {
    if (record.value || record.other_value) return true;
    return base.value && (record.name || record.unit || record.time);
}

/// Section 4.5.3. A time of exactly now counts as none.
[[nodiscard]] std::optional<Instant> time_of(const ExactNumber& seconds, Instant now) {
    if (seconds == 0) return std::nullopt;
    const Duration told = microseconds(seconds);
    if (seconds >= exact_one() * smallest_absolute_s) return Instant{told};
    return Instant{std::clamp(now.time_since_epoch() + told, seconds_min, seconds_max)};
}

[[nodiscard]] ResolvedRecord resolve(const SenmlRecord& record, const Base& base, Instant now) {
    ResolvedRecord resolved;
    resolved.name = base.name + record.name.value_or("");
    resolved.unit = record.unit.value_or(base.unit);
    if (record.value || !record.other_value) {
        resolved.value = base.value.value_or(ExactNumber{0});
        if (record.value) *resolved.value += exact(*record.value);
    }
    resolved.time = time_of(record.time ? ExactNumber{base.time + exact(*record.time)} : base.time, now);
    return resolved;
}

[[nodiscard]] Result<std::vector<SenmlRecord>> read_pack(std::string_view payload) {
    const auto first = static_cast<unsigned char>(payload.front());
    if (first == '[' || first == '{' || first == ' ' || first == '\t' || first == '\r' || first == '\n') {
        return read_senml_json(payload);
    }
    constexpr unsigned cbor_array = 4;
    if (first >> 5U == cbor_array) return read_senml_cbor(payload);
    return fail("The payload is not a SenML pack: it does not begin like a JSON array or a CBOR array.");
}

}  // namespace

const ExactNumber& exact_one() {
    static const ExactNumber one = power_of_ten(exact_digits);
    return one;
}

cpp_int floor_of(const cpp_int& numerator, const cpp_int& denominator) {
    cpp_int whole = numerator / denominator;
    if (numerator < 0 && whole * denominator != numerator) --whole;
    return whole;
}

Result<std::vector<ResolvedRecord>> resolve_senml(std::string_view payload, Instant now) {
    const auto pack = read_pack(payload);
    if (!pack) return tl::unexpected<Error>(pack.error());
    std::vector<ResolvedRecord> records;
    records.reserve(pack->size());
    Base base;
    for (const SenmlRecord& record : *pack) {
        if (record.base_version &&
            whole_number(*record.base_version).value_or(senml_version + 1) > senml_version) {
            return fail("The pack is of SenML version " + canonical_text(*record.base_version) +
                        "; versions up to " + std::to_string(senml_version) + " are understood.");
        }
        base.take_over(record);
        if (is_measurement(record, base)) records.push_back(resolve(record, base, now));
    }
    std::stable_sort(records.begin(), records.end(), [now](const ResolvedRecord& a, const ResolvedRecord& b) {
        return a.time.value_or(now) < b.time.value_or(now);
    });
    return records;
}

}  // namespace tickledger
