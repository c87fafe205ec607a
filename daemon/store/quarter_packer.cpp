#include "store/quarter_packer.hpp"

#include <algorithm>

#include "tickledger/civil.hpp"

namespace tickledger {
namespace {

/// How many meters one transaction packs a quarter of: some hundredths of a second.
constexpr std::int64_t meters_at_once = 128;

/// Before every quarter.
constexpr std::int64_t no_quarter = std::numeric_limits<std::int64_t>::min();

Instant end_of(UtcDays quarter) {
    return start_of_day(quarter.first + quarter.count);
}

#define OF_METERS "step = ?1 AND start_us = ?2 AND meter > ?3 AND meter <= ?4"

}  // namespace

QuarterPacker::QuarterPacker(Database& database, PackedReads& reads)
    : reads_(reads),
      first_start_(database, "SELECT min(start_us) FROM usage_row WHERE step = ?1 AND start_us >= ?2"),
      last_of_slice_(database, "SELECT key FROM meter WHERE key > ?1 ORDER BY key LIMIT 1 OFFSET ?2"),
      rows_(database,
            "SELECT meter, ticks, covered_us, spread_ticks, revision FROM usage_row WHERE " OF_METERS),
      delete_rows_(database, "DELETE FROM usage_row WHERE " OF_METERS),
      unpacked_rows_(database),
      put_quarter_(database, "INSERT INTO packed_quarter (day, meter, days, block) VALUES (?1, ?2, ?3, ?4)"),
      delete_quarter_(database, "DELETE FROM packed_quarter WHERE day = ?1 AND meter = ?2"),
      quarters_of_meter_(database,
                         "SELECT day FROM packed_quarter WHERE day >= ?1 AND day <= ?2 AND meter = ?3"),
      last_quarter_(database, "SELECT max(day) FROM packed_quarter"),
      longest_of_quarters_(database,
                           "SELECT day, max(days), meter FROM packed_quarter WHERE day >= ?1 GROUP BY day") {}

Result<std::int64_t> QuarterPacker::last_packed() {
    if (last_packed_) return *last_packed_;
    Cursor cursor = last_quarter_.run();
    return cursor.next().map([&](bool) {
        last_packed_ = cursor.column<std::optional<std::int64_t>>(0).value_or(no_quarter);
        reads_.know_last(PackedTable::days, last_packed_);
        return *last_packed_;
    });
}

Result<std::optional<Instant>> QuarterPacker::first_start(Instant from) {
    Cursor cursor = first_start_.run(Step::day, from);
    return cursor.next().map([&](bool) { return cursor.column<std::optional<Instant>>(0); });
}

Result<QuarterPacker::Quarters> QuarterPacker::take_rows(UtcDays quarter, MeterKey after, MeterKey last) {
    Quarters quarters;
    // The same civil day begins at the same moment for all meters. So only these few meters are looked up
    // there.
    for (Instant from = start_of_day(quarter.first);;) {
        const auto start = first_start(from);
        if (!start) return tl::unexpected(start.error());
        if (!*start || **start >= end_of(quarter)) return quarters;
        {
            Cursor cursor = rows_.run(Step::day, **start, after, last);
            for (;;) {
                const auto more = cursor.next();
                if (!more) return tl::unexpected(more.error());
                if (!*more) break;
                quarters[cursor.column<MeterKey>(0)].push_back(
                    {**start,
                     {cursor.column<std::int64_t>(1), cursor.column<Duration>(2),
                      cursor.column<std::int64_t>(3), cursor.column<std::int64_t>(4)}});
            }
        }
        auto removed = delete_rows_.run(Step::day, **start, after, last).finish();
        if (!removed) return tl::unexpected(removed.error());
        from = **start + Duration{1};
    }
}

Result<bool> QuarterPacker::pack_oldest_quarter(Instant before) {
    const auto oldest = first_start(next_.begin);
    if (!oldest) return tl::unexpected(oldest.error());
    if (!*oldest) return false;
    const UtcDays quarter = quarter_of(**oldest);
    // Civil days that begin in the quarter may end up to a day after it, anywhere on the earth.
    if (end_of(quarter) + std::chrono::hours{24} > before) return false;
    const Instant begin = start_of_day(quarter.first);
    const MeterKey after = begin == next_.begin ? next_.after : Place{}.after;
    MeterKey last = std::numeric_limits<MeterKey>::max();
    {
        Cursor cursor = last_of_slice_.run(after, meters_at_once - 1);
        const auto is_more = cursor.next();
        if (!is_more) return tl::unexpected(is_more.error());
        if (*is_more) last = cursor.column<MeterKey>(0);
    }
    auto quarters = take_rows(quarter, after, last);
    if (!quarters) return tl::unexpected(quarters.error());
    for (auto& [meter, rows] : *quarters) {
        if (auto done = put(quarter, meter, std::move(rows)); !done) return tl::unexpected(done.error());
    }
    forget_last();
    const bool is_last = last == std::numeric_limits<MeterKey>::max();
    next_ = is_last ? Place{end_of(quarter)} : Place{begin, last};
    return true;
}

Result<void> QuarterPacker::put(UtcDays quarter, MeterKey meter, std::vector<TimedRow> rows) {
    const auto days = static_cast<std::int64_t>(rows.size());
    const PackedBlock block{.entries = {}, .rows = std::move(rows)};
    const std::string bytes = pack(block, quarter);
    // The rows are gone once this is committed, so they stay if the block would not unpack to the same
    // content.
    const auto again = unpack(bytes, quarter);
    if (!again || *again != block) return unpacked_rows_.put(Step::day, meter, block.rows);
    return put_quarter_.run(quarter.first, meter, days, Bytes{bytes}).finish();
}

Result<void> QuarterPacker::unpack_quarters(MeterKey meter, Instant from, Instant to) {
    const std::int64_t first_quarter = quarter_of(from).first;
    if (start_of_day(first_quarter) <= next_.begin) next_ = {start_of_day(first_quarter)};
    const auto last = last_packed();
    if (!last) return tl::unexpected(last.error());
    const std::int64_t last_quarter = std::min(quarter_of(to).first, *last);
    if (first_quarter > last_quarter) return {};
    std::vector<UtcDays> quarters;
    {
        Cursor cursor = quarters_of_meter_.run(first_quarter, last_quarter, meter);
        for (;;) {
            const auto more = cursor.next();
            if (!more) return tl::unexpected(more.error());
            if (!*more) break;
            quarters.push_back(quarter_of(start_of_day(cursor.column<std::int64_t>(0))));
        }
    }
    for (const UtcDays quarter : quarters) {
        const auto block = reads_.block(PackedTable::days, quarter, meter);
        if (!block) return tl::unexpected(block.error());
        auto done = delete_quarter_.run(quarter.first, meter).finish();
        if (done && *block) done = unpacked_rows_.put(Step::day, meter, (*block)->rows);
        if (!done) return done;
    }
    return {};
}

Result<std::int64_t> QuarterPacker::days_from(Instant from) {
    std::int64_t days = 0;
    std::optional<MeterKey> of_first_quarter;
    const UtcDays first_quarter = quarter_of(from);
    {
        Cursor cursor = longest_of_quarters_.run(first_quarter.first);
        for (;;) {
            const auto more = cursor.next();
            if (!more) return tl::unexpected(more.error());
            if (!*more) break;
            if (cursor.column<std::int64_t>(0) == first_quarter.first) {
                of_first_quarter = cursor.column<MeterKey>(2);
            } else {
                days += cursor.column<std::int64_t>(1);
            }
        }
    }
    if (!of_first_quarter) return days;
    const auto block = reads_.block(PackedTable::days, first_quarter, *of_first_quarter);
    if (!block) return tl::unexpected(block.error());
    const auto& rows = (*block)->rows;
    return days +
           std::count_if(rows.begin(), rows.end(), [&](const TimedRow& row) { return row.start >= from; });
}

}  // namespace tickledger
