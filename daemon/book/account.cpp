#include "book/account.hpp"

#include <algorithm>
#include <utility>

#include "book/store_failure.hpp"
#include "book/valuation.hpp"
#include "core/varint.hpp"

namespace tickledger {

namespace {

void put(std::string& bytes, std::int64_t value) {
    append_varint(bytes, zigzag(value));
}

/// Precondition: put() wrote the bytes.
std::int64_t take(std::string_view& bytes) {
    return unzigzag(take_varint(bytes).value());
}

/// Each row's beginning is written as the difference from the one before.
std::string bytes_of(const std::array<OpenRow, 5>& rows) {
    std::string bytes;
    std::int64_t before_us = 0;
    for (const OpenRow& open : rows) {
        put(bytes, (open.start ? 1 : 0) + (open.row ? 2 : 0));
        if (open.start) {
            const std::int64_t start_us = microseconds_of(*open.start);
            put(bytes, start_us - std::exchange(before_us, start_us));
        }
        if (!open.row) continue;
        put(bytes, open.row->ticks), put(bytes, open.row->covered.count());
        put(bytes, open.row->spread_ticks), put(bytes, open.row->revision);
    }
    return bytes;
}

std::array<OpenRow, 5> rows_in(std::string_view bytes) {
    std::array<OpenRow, 5> rows;
    std::int64_t before_us = 0;
    for (OpenRow& open : rows) {
        if (bytes.empty()) break;
        const std::int64_t told = take(bytes);
        if ((told & 1) != 0) open.start = instant_of(before_us += take(bytes));
        if ((told & 2) == 0) continue;
        Row& row = open.row.emplace();
        row.ticks = take(bytes);
        row.covered = Duration{take(bytes)};
        row.spread_ticks = take(bytes);
        row.revision = take(bytes);
    }
    return rows;
}

}  // namespace

std::optional<Span> absence(const std::optional<ToldAway>& told, const AlarmSettings& settings) {
    constexpr Span always{Instant::min(), Instant::max()};
    if (!told || told->configured != settings.away)
        return settings.away ? std::optional(always) : std::nullopt;
    if (!told->from) return std::nullopt;
    return Span{*told->from, told->to.value_or(always.to)};
}

Account::Account(MeterKey meter_key, std::string meter_id, MeterRules& meter_rules, std::string record)
    : key(meter_key),
      id(std::move(meter_id)),
      settings(meter_rules.settings),
      rules(meter_rules.rules),
      rows(meter_rules.rows),
      meter_rules_(meter_rules),
      bytes_(std::move(record)),
      record_bytes_(static_cast<std::uint32_t>(bytes_.size())) {}

MeterRules::Later::Later(const MeterSettings& first, Ratio pulse_value_l)
    : settings(first), rules(first, pulse_value_l) {
    settings.pulse_value_l = pulse_value_l;
}

MeterInForce MeterRules::with(Ratio pulse_value_l) {
    if (pulse_value_l == settings.pulse_value_l) return {settings, rules};
    const auto known = std::ranges::find(
        later_, pulse_value_l, [](const Later& later) -> Ratio { return later.settings.pulse_value_l; });
    Later& later = known != later_.end() ? *known : later_.emplace_back(settings, pulse_value_l);
    return {later.settings, later.rules};
}

MeterInForce Account::in_force(Span span) const {
    if (settings.pulse_value_changes.empty() && memory().meter_register.pulse_values.empty())
        return {settings, rules};
    return meter_rules_.with(pulse_values(settings, memory().meter_register, rows.zone()).least_in(span));
}

void Account::wake() const {
    auto awake = std::make_unique<Awake>();
    const auto bytes = std::string_view(bytes_);
    const auto record = bytes.substr(0, record_bytes_);
    if (!record.empty()) awake->memory = value_or_throw(memory_from_record(record));
    awake->open_rows = rows_in(bytes.substr(record_bytes_));
    awake_ = std::move(awake);
}

const std::string& Account::write_record() {
    // A copy has no spare capacity, which counts with ten thousand meters.
    const std::string record = to_record(memory());
    bytes_ = std::string(record.begin(), record.end());
    record_bytes_ = static_cast<std::uint32_t>(bytes_.size());
    return bytes_;
}

void Account::sleep() {
    if (!awake_) return;
    const std::string open_rows = bytes_of(awake_->open_rows);
    std::string bytes;
    bytes.reserve(record_bytes_ + open_rows.size());
    bytes.append(bytes_, 0, record_bytes_).append(open_rows);
    bytes_ = std::move(bytes);
    awake_.reset();
}

}  // namespace tickledger
