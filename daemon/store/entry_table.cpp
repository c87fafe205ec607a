#include "store/entry_table.hpp"

#include <algorithm>

#include "store/entry_group.hpp"
#include "store/entry_row.hpp"
#include "store/utc_days.hpp"

namespace tickledger {
namespace {

#define NO_ADJUSTMENT "kind <> 4"
// SQLite uses the index entry_special only if the query contains the index's condition word for word.
#define SPECIAL " AND kind <> 0"

bool touches(const Entry& entry, Span span) {
    if (entry.span.from == entry.span.to) return entry.span.to > span.from && entry.span.to <= span.to;
    return entry.span.from < span.to && entry.span.to > span.from;
}

using Entries = std::vector<NumberedEntry>;

Entries::const_iterator first_from(const Entries& entries, Instant t) {
    return std::partition_point(entries.begin(), entries.end(),
                                [&](const NumberedEntry& e) { return e.entry.span.to < t; });
}
Entries::const_iterator behind_last_until(const Entries& entries, Instant t) {
    return std::partition_point(entries.begin(), entries.end(),
                                [&](const NumberedEntry& e) { return e.entry.span.to <= t; });
}
std::optional<NumberedEntry> last_until(const Entries& entries, Instant t) {
    const auto behind = behind_last_until(entries, t);
    return behind == entries.begin() ? std::nullopt : std::optional(*std::prev(behind));
}

/// Whether `seq` is among the sequence numbers from `first` to `last`, both inclusive. They may wrap in
/// between.
bool misses(std::uint64_t first, std::uint64_t last, std::uint64_t seq) {
    return first <= last ? first <= seq && seq <= last : first <= seq || seq <= last;
}

}  // namespace

EntryReads::EntryReads(Database& database, PackedReads& packed)
    : database_(database),
      packed_(packed),
      days_(database,
            "SELECT (SELECT min(day) FROM entry_day), (SELECT max(day) FROM entry_day),"
            " (SELECT max(day) FROM packed_day),"
            " (SELECT min(to_us) FROM entry_group), (SELECT max(to_us) FROM entry_group)"),
      has_entries_(database, "SELECT 1 FROM entry_day WHERE day = ?1 AND meter = ?2"),
      // The + stops SQLite from treating the meter as constant in ORDER BY. If it did, it would no longer see
      // that the key already has that order, and would sort.
      forward_(database, "SELECT " ENTRY_COLUMNS
                         " FROM entry WHERE to_us >= ?1 AND to_us < ?2 AND +meter = ?3 AND " NO_ADJUSTMENT
                         " ORDER BY to_us, meter, length_us DESC, n LIMIT 1"),
      backward_(database, "SELECT " ENTRY_COLUMNS
                          " FROM entry WHERE to_us >= ?1 AND to_us <= ?2 AND +meter = ?3 AND " NO_ADJUSTMENT
                          " ORDER BY to_us DESC, meter DESC, length_us, n DESC LIMIT 1"),
      within_(database, "SELECT " ENTRY_COLUMNS
                        " FROM entry WHERE to_us >= ?1 AND to_us <= ?2 AND +meter = ?3"
                        " ORDER BY to_us, meter, length_us DESC, n"),
      groups_(database,
              "SELECT to_us, meter, block FROM entry_group WHERE to_us >= ?1 AND to_us < ?2 AND +meter = ?3"
              " ORDER BY to_us, meter"),
      last_group_(database,
                  "SELECT to_us, meter, block FROM entry_group WHERE to_us >= ?1 AND to_us <= ?2"
                  " AND +meter = ?3 ORDER BY to_us DESC, meter DESC LIMIT 1"),
      adjustments_(database, "SELECT " ENTRY_COLUMNS
                             " FROM entry WHERE meter = ?1 AND to_us > ?2 AND to_us - length_us < ?3" SPECIAL
                             " AND kind = 4"
                             " ORDER BY to_us, length_us DESC, n"),
      gaps_(database, "SELECT " ENTRY_COLUMNS " FROM entry WHERE meter = ?1 AND end_boot = ?2" SPECIAL
                      " AND kind = 3 ORDER BY to_us DESC, "
                      "length_us, n DESC"),
      unseen_(database, "SELECT " ENTRY_COLUMNS " FROM entry WHERE meter = ?1 AND to_us > ?2" SPECIAL
                        " AND kind IN (1, 2, 3)"
                        " ORDER BY to_us, length_us DESC, n") {}

Result<EntryReads::Days> EntryReads::days() {
    Cursor cursor = days_.run();
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    const auto first = cursor.column<std::optional<std::int64_t>>(0);
    const auto last = cursor.column<std::optional<std::int64_t>>(1);
    if (!first || !last) return Days{};
    Days days{*first, *last, cursor.column<std::optional<std::int64_t>>(2)};
    if (const auto end = cursor.column<std::optional<Instant>>(3)) days.first_grouped = day_of(*end);
    if (const auto end = cursor.column<std::optional<Instant>>(4)) days.last_grouped = day_of(*end);
    return days;
}

Result<PackedReads::Found> EntryReads::packed(const Days& days, std::int64_t day, MeterKey meter) {
    if (!days.last_packed || day > *days.last_packed) return PackedReads::Found();
    return packed_.block(PackedTable::readings, {day}, meter);
}

Result<bool> EntryReads::has_entries(std::int64_t day, MeterKey meter) {
    Cursor cursor = has_entries_.run(day, meter);
    return cursor.next();
}

Result<std::vector<NumberedEntry>> EntryReads::next_group(Cursor& groups) const {
    const auto found = groups.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return Entries();
    return group_of(groups, database_);
}

Result<std::optional<NumberedEntry>> EntryReads::first_compact(const Days& days, std::int64_t day,
                                                               MeterKey meter, Instant t) {
    std::optional<NumberedEntry> first;
    const auto take = [&](const Entries& entries) {
        const auto at = first_from(entries, t);
        if (at != entries.end() && (!first || comes_before(*at, *first))) first = *at;
    };
    const auto block = packed(days, day, meter);
    if (!block) return tl::unexpected(block.error());
    if (*block) take((*block)->entries);
    if (days.has_groups(day)) {
        Cursor cursor = groups_.run(std::max(t, start_of_day(day)), start_of_day(day + 1), meter);
        const auto group = next_group(cursor);
        if (!group) return tl::unexpected(group.error());
        take(*group);
    }
    return first;
}

Result<std::optional<NumberedEntry>> EntryReads::last_compact(const Days& days, std::int64_t day,
                                                              MeterKey meter, Instant t) {
    std::optional<NumberedEntry> last;
    const auto take = [&](const Entries& entries) {
        const auto found = last_until(entries, t);
        if (found && (!last || comes_before(*last, *found))) last = found;
    };
    const auto block = packed(days, day, meter);
    if (!block) return tl::unexpected(block.error());
    if (*block) take((*block)->entries);
    if (!days.has_groups(day)) return last;
    const Instant end = start_of_day(day + 1);
    {
        // The first group that ends later may begin before `t`.
        Cursor cursor = groups_.run(std::min(t, end), end, meter);
        const auto group = next_group(cursor);
        if (!group) return tl::unexpected(group.error());
        take(*group);
    }
    Cursor cursor = last_group_.run(start_of_day(day), std::min(t, end - Duration{1}), meter);
    const auto group = next_group(cursor);
    if (!group) return tl::unexpected(group.error());
    take(*group);
    return last;
}

Result<std::optional<Entry>> EntryReads::first_ending_from(MeterKey meter, Instant t) {
    const auto bounds = days();
    if (!bounds) return tl::unexpected(bounds.error());
    for (auto day = std::max(day_of(t), bounds->first); day <= bounds->last; ++day) {
        const auto any = has_entries(day, meter);
        if (!any) return tl::unexpected(any.error());
        if (!*any) continue;
        const auto compact = first_compact(*bounds, day, meter, t);
        if (!compact) return tl::unexpected(compact.error());
        Cursor cursor = forward_.run(std::max(t, start_of_day(day)), start_of_day(day + 1), meter);
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        const bool is_compact = *compact && (!*row || comes_before(**compact, **row));
        if (const auto& first = is_compact ? *compact : *row) return first->entry;
    }
    return std::nullopt;
}

Result<std::optional<Entry>> EntryReads::last_ending_by(MeterKey meter, Instant t) {
    const auto bounds = days();
    if (!bounds) return tl::unexpected(bounds.error());
    for (auto day = std::min(day_of(t), bounds->last); day >= bounds->first; --day) {
        const auto any = has_entries(day, meter);
        if (!any) return tl::unexpected(any.error());
        if (!*any) continue;
        const auto compact = last_compact(*bounds, day, meter, t);
        if (!compact) return tl::unexpected(compact.error());
        Cursor cursor =
            backward_.run(start_of_day(day), std::min(t, start_of_day(day + 1) - Duration{1}), meter);
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        const bool is_compact = *compact && (!*row || comes_before(**row, **compact));
        if (const auto& last = is_compact ? *compact : *row) return last->entry;
    }
    return std::nullopt;
}

Result<std::optional<Entry>> EntryReads::holding(MeterKey meter, Instant t) {
    auto entry = first_ending_from(meter, t);
    if (!entry || !*entry) return entry;
    const Span span = (*entry)->span;
    const bool holds = span.from < t || span.to == t;
    return holds ? entry : std::nullopt;
}

Result<std::optional<Entry>> EntryReads::gap_of(MeterKey meter, std::uint64_t boot, std::uint64_t seq) {
    Cursor cursor = gaps_.run(meter, boot);
    for (;;) {
        const auto gap = next_entry(cursor);
        if (!gap) return tl::unexpected(gap.error());
        if (!*gap) return std::nullopt;
        const Entry& entry = (*gap)->entry;
        if (misses(entry.begin_count, entry.end.seq, seq)) return entry;
    }
}

Result<std::vector<Entry>> EntryReads::unseen(MeterKey meter, Span span) {
    std::vector<Entry> found;
    Cursor cursor = unseen_.run(meter, span.from);
    for (;;) {
        const auto entry = next_entry(cursor);
        if (!entry) return tl::unexpected(entry.error());
        if (!*entry) return found;
        if (touches((*entry)->entry, span)) found.push_back((*entry)->entry);
    }
}

Result<bool> EntryReads::ending_in(MeterKey meter, Span span, const PackedReads::Found& packed,
                                   bool has_groups, const std::function<bool(const Entry&)>& each) {
    Cursor cursor = within_.run(span.from, span.to, meter);
    Cursor groups = groups_.run(span.from, start_of_day(day_of(span.to) + 1), meter);
    // A day is packed, or some of it is in groups. Groups are read one after the other, because there may be
    // very many.
    Entries group;
    const Entries& compact = packed ? packed->entries : group;
    auto next = first_from(compact, span.from);
    const auto look_for_more = [&]() -> Result<void> {
        if (!has_groups || next != compact.end()) return {};
        if (!group.empty() && group.back().entry.span.to >= span.to) return {};
        auto more = next_group(groups);
        if (!more) return tl::unexpected(more.error());
        has_groups = !more->empty();
        group = std::move(*more);
        next = first_from(group, span.from);
        return {};
    };
    const auto is_next = [&](const std::optional<NumberedEntry>& row) {
        return next != compact.end() && next->entry.span.to <= span.to && (!row || comes_before(*next, *row));
    };
    has_groups = has_groups && !packed;
    for (;;) {
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        for (;; ++next) {
            if (auto looked = look_for_more(); !looked) return tl::unexpected(looked.error());
            if (!is_next(*row)) break;
            if (!each(next->entry)) return false;
        }
        if (!*row) return true;
        if (!each((*row)->entry)) return false;
    }
}

Result<std::vector<Entry>> EntryReads::reaching_beyond(MeterKey meter, Span span) {
    std::vector<Entry> beyond;
    if (span.to == Instant::max()) return beyond;
    // Spans of one meter do not overlap, so only the first one that ends after the span can reach into it.
    // Adjustments overlap the others and are looked up separately.
    const auto first = first_ending_from(meter, span.to + Duration{1});
    if (!first) return tl::unexpected(first.error());
    if (*first && touches(**first, span)) beyond.push_back(**first);

    Cursor cursor = adjustments_.run(meter, span.to, span.to);
    for (;;) {
        const auto entry = next_entry(cursor);
        if (!entry) return tl::unexpected(entry.error());
        if (!*entry) break;
        if (touches((*entry)->entry, span)) beyond.push_back((*entry)->entry);
    }
    std::stable_sort(beyond.begin(), beyond.end(), [](const Entry& a, const Entry& b) {
        return a.span.to != b.span.to ? a.span.to < b.span.to : a.span.from < b.span.from;
    });
    return beyond;
}

Result<void> EntryReads::touching(MeterKey meter, Span span, const std::function<bool(const Entry&)>& each) {
    const auto bounds = days();
    if (!bounds) return tl::unexpected(bounds.error());
    if (span.to < span.from) return {};
    const auto last = std::min(day_of(span.to), bounds->last);
    for (auto day = std::max(day_of(span.from), bounds->first); day <= last; ++day) {
        const auto any = has_entries(day, meter);
        if (!any) return tl::unexpected(any.error());
        if (!*any) continue;
        const Span ends{std::max(span.from + Duration{1}, start_of_day(day)),
                        std::min(span.to, start_of_day(day + 1) - Duration{1})};
        const auto block = packed(*bounds, day, meter);
        if (!block) return tl::unexpected(block.error());
        const auto more = ending_in(meter, ends, *block, bounds->has_groups(day), each);
        if (!more) return tl::unexpected(more.error());
        if (!*more) return {};
    }
    const auto beyond = reaching_beyond(meter, span);
    if (!beyond) return tl::unexpected(beyond.error());
    for (const Entry& entry : *beyond) {
        if (!each(entry)) break;
    }
    return {};
}

}  // namespace tickledger
