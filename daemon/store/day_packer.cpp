#include "store/day_packer.hpp"

#include <algorithm>

#include "store/entry_row.hpp"
#include "store/utc_days.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {
namespace {

/// How many meters of a day one transaction packs: some tenths of a second if each has a reading a minute.
constexpr std::int64_t meters_at_once = 128;

/// Stands for "no day" in the database. It is before every day.
constexpr std::int64_t no_day = std::numeric_limits<std::int64_t>::min();

/// Where a search begins: at a day's beginning, or at the beginning of time.
Instant start_or_earliest(std::int64_t day) {
    return day == no_day ? instant_of(std::numeric_limits<std::int64_t>::min()) : start_of_day(day);
}

#define OF_SLICE(time) time " >= ?1 AND " time " < ?2 AND meter > ?3 AND meter <= ?4"

}  // namespace

DayPacker::DayPacker(Database& database, PackedReads& reads)
    : reads_(reads),
      database_(database),
      entry_rows_(database),
      first_entry_(database, "SELECT to_us FROM entry WHERE to_us >= ?1 AND kind = 0 ORDER BY to_us LIMIT 1"),
      first_group_(database, "SELECT min(to_us) FROM entry_group WHERE to_us >= ?1"),
      first_row_(database, "SELECT min(start_us) FROM usage_row WHERE step = ?1 AND start_us >= ?2"),
      last_of_slice_(database,
                     "SELECT meter FROM entry_day WHERE day = ?1 AND meter > ?2 ORDER BY meter"
                     " LIMIT 1 OFFSET ?3"),
      entries_(database, "SELECT " ENTRY_COLUMNS ", meter FROM entry WHERE " OF_SLICE(
                             "to_us") " AND kind = 0 ORDER BY to_us, meter, length_us DESC, n"),
      groups_(database, "SELECT to_us, meter, block FROM entry_group WHERE " OF_SLICE(
                            "to_us") " ORDER BY to_us, meter"),
      rows_(database,
            "SELECT start_us, ticks, covered_us, spread_ticks, revision, meter FROM usage_row"
            " WHERE " OF_SLICE("start_us") " AND step = ?5 ORDER BY start_us, meter"),
      delete_entries_(database, "DELETE FROM entry WHERE " OF_SLICE("to_us") " AND kind = 0"),
      delete_groups_(database, "DELETE FROM entry_group WHERE " OF_SLICE("to_us")),
      delete_rows_(database, "DELETE FROM usage_row WHERE " OF_SLICE("start_us") " AND step = ?5"),
      put_readings_(database, "INSERT INTO packed_day (day, meter, block) VALUES (?1, ?2, ?3)"),
      put_hours_(database, "INSERT INTO packed_hours (day, meter, block) VALUES (?1, ?2, ?3)"),
      unpacked_rows_(database),
      delete_readings_(database, "DELETE FROM packed_day WHERE day = ?1 AND meter = ?2"),
      delete_hours_(database, "DELETE FROM packed_hours WHERE day = ?1 AND meter = ?2"),
      packed_days_(database,
                   "SELECT day FROM packed_day WHERE day >= ?1 AND day <= ?2 AND meter = ?3"
                   " UNION SELECT day FROM packed_hours WHERE day >= ?1 AND day <= ?2 AND meter = ?3"),
      last_packed_day_(database,
                       "SELECT max((SELECT coalesce(max(day), ?1) FROM packed_day),"
                       " (SELECT coalesce(max(day), ?1) FROM packed_hours))"),
      remove_until_(database, "DELETE FROM packed_day WHERE day <= ?1") {}

Result<std::int64_t> DayPacker::last_packed() {
    if (last_packed_) return *last_packed_;
    Cursor cursor = last_packed_day_.run(no_day);
    return cursor.next().map([&](bool) {
        last_packed_ = cursor.column<std::int64_t>(0);
        reads_.know_last(PackedTable::readings, last_packed_);
        reads_.know_last(PackedTable::hours, last_packed_);
        return *last_packed_;
    });
}

Result<std::optional<DayPacker::Slice>> DayPacker::next_slice(Instant before) {
    const Instant from = start_or_earliest(next_.day);
    std::optional<Instant> oldest;
    const auto look = [&](Cursor cursor) -> Result<void> {
        const auto found = cursor.next();
        if (!found) return tl::unexpected(found.error());
        const auto t = *found ? cursor.column<std::optional<Instant>>(0) : std::nullopt;
        if (t) oldest = std::min(*t, oldest.value_or(*t));
        return {};
    };
    auto looked = look(first_entry_.run(from));
    if (looked) looked = look(first_group_.run(from));
    for (const Step step : {Step::interval, Step::hour}) {
        if (looked) looked = look(first_row_.run(step, from));
    }
    if (!looked) return tl::unexpected(looked.error());
    if (!oldest) return std::nullopt;

    Slice slice;
    slice.day = day_of(*oldest);
    if (slice.day == next_.day) slice.after = next_.after;
    if (start_of_day(slice.day + 1) > before) return std::nullopt;
    Cursor cursor = last_of_slice_.run(slice.day, slice.after, meters_at_once - 1);
    return cursor.next().map([&](bool is_more) {
        if (is_more) slice.last = cursor.column<MeterKey>(0);
        return std::optional(slice);
    });
}

Result<std::map<MeterKey, DayPacker::MeterDay>> DayPacker::rows_of(const Slice& slice) {
    std::map<MeterKey, MeterDay> meters;
    const Instant begin = start_of_day(slice.day);
    const Instant end = start_of_day(slice.day + 1);
    {
        Cursor cursor = entries_.run(begin, end, slice.after, slice.last);
        for (;;) {
            const auto entry = next_entry(cursor);
            if (!entry) return tl::unexpected(entry.error());
            if (!*entry) break;
            meters[cursor.column<MeterKey>(entry_column_count)].readings.entries.push_back(**entry);
        }
    }
    {
        Cursor cursor = groups_.run(begin, end, slice.after, slice.last);
        for (;;) {
            const auto more = cursor.next();
            if (!more) return tl::unexpected(more.error());
            if (!*more) break;
            const auto group = group_of(cursor, database_);
            if (!group) return tl::unexpected(group.error());
            auto& entries = meters[cursor.column<MeterKey>(1)].readings.entries;
            const bool follows = entries.empty() || comes_before(entries.back(), group->front());
            const auto middle = static_cast<std::ptrdiff_t>(entries.size());
            entries.insert(entries.end(), group->begin(), group->end());
            if (!follows)
                std::inplace_merge(entries.begin(), entries.begin() + middle, entries.end(), comes_before);
        }
    }
    for (const Step step : {Step::interval, Step::hour}) {
        Cursor cursor = rows_.run(begin, end, slice.after, slice.last, step);
        for (;;) {
            const auto more = cursor.next();
            if (!more) return tl::unexpected(more.error());
            if (!*more) break;
            MeterDay& meter = meters[cursor.column<MeterKey>(5)];
            (step == Step::hour ? meter.hours : meter.readings)
                .rows.push_back({cursor.column<Instant>(0),
                                 {cursor.column<std::int64_t>(1), cursor.column<Duration>(2),
                                  cursor.column<std::int64_t>(3), cursor.column<std::int64_t>(4)}});
        }
    }
    return meters;
}

Result<void> DayPacker::remove_rows(const Slice& slice) {
    const Instant begin = start_of_day(slice.day);
    const Instant end = start_of_day(slice.day + 1);
    auto removed = delete_entries_.run(begin, end, slice.after, slice.last).finish();
    if (removed) removed = delete_groups_.run(begin, end, slice.after, slice.last).finish();
    for (const Step step : {Step::interval, Step::hour}) {
        if (removed) removed = delete_rows_.run(begin, end, slice.after, slice.last, step).finish();
    }
    return removed;
}

Result<bool> DayPacker::pack_oldest_day(Instant before) {
    const auto slice = next_slice(before);
    if (!slice) return tl::unexpected(slice.error());
    if (!*slice) return false;
    const auto meters = rows_of(**slice);
    if (!meters) return tl::unexpected(meters.error());
    if (auto removed = remove_rows(**slice); !removed) return tl::unexpected(removed.error());
    for (const auto& [meter, day] : *meters) {
        auto put_all = put(PackedTable::readings, **slice, meter, day.readings);
        if (put_all) put_all = put(PackedTable::hours, **slice, meter, day.hours);
        if (!put_all) return tl::unexpected(put_all.error());
    }
    forget_last();
    const bool is_last = (*slice)->last == std::numeric_limits<MeterKey>::max();
    next_ = is_last ? Place{(*slice)->day + 1} : Place{(*slice)->day, (*slice)->last};
    return true;
}

Result<void> DayPacker::put(PackedTable table, const Slice& slice, MeterKey meter, const PackedBlock& block) {
    if (block.empty()) return {};
    const std::string bytes = pack(block, {slice.day});
    // The rows are gone once this is committed, so they stay if the block would not unpack to the same
    // content.
    const auto again = unpack(bytes, {slice.day});
    if (!again || *again != block) return put_rows(table, meter, block);
    Statement& statement = table == PackedTable::readings ? put_readings_ : put_hours_;
    return statement.run(slice.day, meter, Bytes{bytes}).finish();
}

Result<void> DayPacker::put_rows(PackedTable table, MeterKey meter, const PackedBlock& block) {
    for (const NumberedEntry& each : block.entries) {
        // Entries that are not measured stayed in the table, so the others must get their old numbers.
        if (auto done = entry_rows_.put_back(meter, each); !done) return done;
    }
    const Step step = table == PackedTable::readings ? Step::interval : Step::hour;
    return unpacked_rows_.put(step, meter, block.rows);
}

Result<void> DayPacker::unpack_day(MeterKey meter, std::int64_t day) {
    for (const auto table : {PackedTable::readings, PackedTable::hours}) {
        const auto block = reads_.block(table, {day}, meter);
        if (!block) return tl::unexpected(block.error());
        if (!*block) continue;
        Statement& remove = table == PackedTable::readings ? delete_readings_ : delete_hours_;
        auto done = remove.run(day, meter).finish().and_then([&] { return put_rows(table, meter, **block); });
        if (!done) return done;
    }
    return {};
}

Result<void> DayPacker::unpack_days(MeterKey meter, Instant from, Instant to) {
    const std::int64_t first_day = day_of(from);
    if (first_day <= next_.day) next_ = {first_day};
    const auto last = last_packed();
    if (!last) return tl::unexpected(last.error());
    const std::int64_t last_day = std::min(day_of(to), *last);
    if (first_day > last_day) return {};
    std::vector<std::int64_t> days;
    {
        Cursor cursor = packed_days_.run(first_day, last_day, meter);
        for (;;) {
            const auto more = cursor.next();
            if (!more) return tl::unexpected(more.error());
            if (!*more) break;
            days.push_back(cursor.column<std::int64_t>(0));
        }
    }
    for (const std::int64_t day : days) {
        if (auto done = unpack_day(meter, day); !done) return done;
    }
    return {};
}

}  // namespace tickledger
