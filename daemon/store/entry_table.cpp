#include "store/entry_table.hpp"

#include <algorithm>

#include "store/entry_row.hpp"

namespace tickledger {
namespace {

#define NO_ADJUSTMENT "kind <> 4"
// SQLite takes the index entry_special only where its condition stands in the question, word for word.
#define SPECIAL " AND kind <> 0"

bool touches(const Entry& entry, Span span) {
    if (entry.span.from == entry.span.to) return entry.span.to > span.from && entry.span.to <= span.to;
    return entry.span.from < span.to && entry.span.to > span.from;
}

const NumberedEntry* first_from(const PackedBlock& block, Instant t) {
    const auto at = std::partition_point(block.entries.begin(), block.entries.end(),
                                         [&](const NumberedEntry& e) { return e.entry.span.to < t; });
    return at == block.entries.end() ? nullptr : &*at;
}
const NumberedEntry* last_until(const PackedBlock& block, Instant t) {
    const auto after = std::partition_point(block.entries.begin(), block.entries.end(),
                                            [&](const NumberedEntry& e) { return e.entry.span.to <= t; });
    return after == block.entries.begin() ? nullptr : &*std::prev(after);
}

/// Sequence numbers begin_count to end.seq, both inclusive; they may have wrapped in between.
bool misses(std::uint64_t first, std::uint64_t last, std::uint64_t seq) {
    return first <= last ? first <= seq && seq <= last : first <= seq || seq <= last;
}

}  // namespace

EntryReads::EntryReads(Database& database, PackedReads& packed)
    : packed_(packed),
      days_(database,
            "SELECT (SELECT min(day) FROM entry_day), (SELECT max(day) FROM entry_day),"
            " (SELECT max(day) FROM packed_day)"),
      has_entries_(database, "SELECT 1 FROM entry_day WHERE day = ?1 AND meter = ?2"),
      // The + keeps SQLite from taking the meter out of the order, after which it would no longer see that
      // the key has that order already, and would sort.
      forward_(database, "SELECT " ENTRY_COLUMNS
                         " FROM entry WHERE to_us >= ?1 AND to_us < ?2 AND +meter = ?3 AND " NO_ADJUSTMENT
                         " ORDER BY to_us, meter, length_us DESC, n LIMIT 1"),
      backward_(database, "SELECT " ENTRY_COLUMNS
                          " FROM entry WHERE to_us >= ?1 AND to_us <= ?2 AND +meter = ?3 AND " NO_ADJUSTMENT
                          " ORDER BY to_us DESC, meter DESC, length_us, n DESC LIMIT 1"),
      within_(database, "SELECT " ENTRY_COLUMNS
                        " FROM entry WHERE to_us >= ?1 AND to_us <= ?2 AND +meter = ?3"
                        " ORDER BY to_us, meter, length_us DESC, n"),
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
    return Days{*first, *last, cursor.column<std::optional<std::int64_t>>(2)};
}

Result<PackedReads::Found> EntryReads::packed(const Days& days, std::int64_t day, MeterKey meter) {
    if (!days.last_packed || day > *days.last_packed) return PackedReads::Found();
    return packed_.block(PackedTable::readings, day, meter);
}

Result<bool> EntryReads::has_entries(std::int64_t day, MeterKey meter) {
    Cursor cursor = has_entries_.run(day, meter);
    return cursor.next();
}

Result<std::optional<Entry>> EntryReads::first_ending_from(MeterKey meter, Instant t) {
    const auto bounds = days();
    if (!bounds) return tl::unexpected(bounds.error());
    for (auto day = std::max(day_of(t), bounds->first); day <= bounds->last; ++day) {
        const auto any = has_entries(day, meter);
        if (!any) return tl::unexpected(any.error());
        if (!*any) continue;
        const auto block = packed(*bounds, day, meter);
        if (!block) return tl::unexpected(block.error());
        Cursor cursor = forward_.run(std::max(t, start_of_day(day)), start_of_day(day + 1), meter);
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        const NumberedEntry* packed = *block ? first_from(**block, t) : nullptr;
        const NumberedEntry* first = *row ? &**row : packed;
        if (packed && first && comes_before(*packed, *first)) first = packed;
        if (first) return first->entry;
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
        const auto block = packed(*bounds, day, meter);
        if (!block) return tl::unexpected(block.error());
        Cursor cursor =
            backward_.run(start_of_day(day), std::min(t, start_of_day(day + 1) - Duration{1}), meter);
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        const NumberedEntry* packed = *block ? last_until(**block, t) : nullptr;
        const NumberedEntry* last = *row ? &**row : packed;
        if (packed && last && comes_before(*last, *packed)) last = packed;
        if (last) return last->entry;
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
                                   const std::function<bool(const Entry&)>& each) {
    const NumberedEntry* next = packed ? first_from(*packed, span.from) : nullptr;
    const NumberedEntry* const end = packed ? packed->entries.data() + packed->entries.size() : nullptr;
    const auto is_next = [&](const std::optional<NumberedEntry>& row) {
        return next && next != end && next->entry.span.to <= span.to && (!row || comes_before(*next, *row));
    };
    Cursor cursor = within_.run(span.from, span.to, meter);
    for (;;) {
        const auto row = next_entry(cursor);
        if (!row) return tl::unexpected(row.error());
        for (; is_next(*row); ++next) {
            if (!each(next->entry)) return false;
        }
        if (!*row) return true;
        if (!each((*row)->entry)) return false;
    }
}

Result<std::vector<Entry>> EntryReads::reaching_beyond(MeterKey meter, Span span) {
    std::vector<Entry> beyond;
    if (span.to == Instant::max()) return beyond;
    // Spans of one meter do not overlap, so only the first that ends after the span can reach into it;
    // adjustments lie over the others and are looked up by themselves.
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
        const auto more = ending_in(meter, ends, *block, each);
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

EntryWrites::EntryWrites(Database& database)
    : database_(database),
      insert_first_(database, "INSERT OR IGNORE" INTO_ENTRY "0)"),
      insert_another_(database,
                      "INSERT" INTO_ENTRY
                      "(SELECT max(n) + 1 FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3))"),
      same_span_(database, "SELECT " ENTRY_COLUMNS
                           " FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3"
                           " AND (kind = 4) = ?4 ORDER BY n"),
      delete_(database, "DELETE FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3 AND n = ?4"),
      close_up_(database,
                "UPDATE entry SET n = n - 1 WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3 AND n > ?4"),
      mark_day_(database, "INSERT OR IGNORE INTO entry_day (day, meter) VALUES (?1, ?2)"),
      oldest_day_(database, "SELECT min(day) FROM entry_day"),
      delete_until_(database, "DELETE FROM entry WHERE to_us < ?1"),
      unmark_until_(database, "DELETE FROM entry_day WHERE day <= ?1") {}

Result<void> EntryWrites::mark_day(MeterKey meter, Instant end) {
    const auto day = day_of(end);
    const auto known = last_day_.find(meter);
    if (known != last_day_.end() && known->second == day) return {};
    auto marked = mark_day_.run(day, meter).finish();
    if (marked) last_day_[meter] = day;
    return marked;
}

Result<void> EntryWrites::add(MeterKey meter, const Entry& entry) {
    // Hardly ever are there two of one span, so the first is not looked for: it would
    // cost half as much again.
    auto added = insert_entry(insert_first_, meter, entry);
    if (added && database_.changed_rows() == 0) added = insert_entry(insert_another_, meter, entry);
    if (!added) return added;
    return mark_day(meter, entry.span.to);
}

Result<void> EntryWrites::remove(MeterKey meter, const Entry& entry) {
    const bool is_adjustment = entry.kind == EntryKind::adjustment;
    std::optional<std::int64_t> n;
    {
        Cursor cursor = same_span_.run(entry.span.to, meter, entry.span.length(), is_adjustment);
        for (;;) {
            const auto candidate = next_entry(cursor);
            if (!candidate) return tl::unexpected(candidate.error());
            if (!*candidate) break;
            const bool equal = (*candidate)->entry == entry;
            if (equal || !n) n = (*candidate)->n;
            if (equal) break;
        }
    }
    if (!n && is_adjustment) return {};
    if (!n) {
        return tl::unexpected(database_.damaged("it lacks the entry from " + format_utc(entry.span.from) +
                                                " to " + format_utc(entry.span.to) +
                                                " that was to be divided"));
    }
    // The others of its span close up, so that the next one added does not get a free number before them.
    const auto at = [&](Statement& change) {
        return change.run(entry.span.to, meter, entry.span.length(), *n).finish();
    };
    return at(delete_).and_then([&] { return at(close_up_); });
}

Result<std::optional<std::int64_t>> EntryWrites::oldest_day() {
    Cursor cursor = oldest_day_.run();
    return cursor.next().map([&](bool) { return cursor.column<std::optional<std::int64_t>>(0); });
}

Result<std::optional<Instant>> EntryWrites::remove_oldest_day(Instant before) {
    const auto oldest = oldest_day();
    if (!oldest) return tl::unexpected(oldest.error());
    if (!*oldest || start_of_day(**oldest + 1) > before) return std::nullopt;
    const std::int64_t day = **oldest;
    forget();
    const Instant end = start_of_day(day + 1);
    auto removed = delete_until_.run(end).finish().and_then([&] { return unmark_until_.run(day).finish(); });
    if (!removed) return tl::unexpected(removed.error());
    return end;
}

}  // namespace tickledger
