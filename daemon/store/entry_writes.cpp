#include "store/entry_writes.hpp"

#include <algorithm>
#include <iterator>
#include <tuple>
#include <utility>

#include "store/utc_days.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

EntryWrites::EntryWrites(Database& database)
    : database_(database),
      rows_(database),
      same_span_(database, "SELECT " ENTRY_COLUMNS
                           " FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3"
                           " AND (kind = 4) = ?4 ORDER BY n"),
      delete_(database, "DELETE FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3 AND n = ?4"),
      close_up_(database,
                "UPDATE entry SET n = n - 1 WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3 AND n > ?4"),
      mark_day_(database, "INSERT OR IGNORE INTO entry_day (day, meter) VALUES (?1, ?2)"),
      oldest_day_(database, "SELECT min(day) FROM entry_day"),
      delete_until_(database, "DELETE FROM entry WHERE to_us < ?1"),
      delete_groups_until_(database, "DELETE FROM entry_group WHERE to_us < ?1"),
      unmark_until_(database, "DELETE FROM entry_day WHERE day <= ?1"),
      put_group_(database, "INSERT INTO entry_group (to_us, meter, block) VALUES (?1, ?2, ?3)"),
      group_from_(database,
                  "SELECT to_us, meter, block FROM entry_group WHERE to_us >= ?1 AND to_us < ?2"
                  " AND +meter = ?3 ORDER BY to_us, meter LIMIT 1"),
      delete_group_(database, "DELETE FROM entry_group WHERE to_us = ?1 AND meter = ?2"),
      last_group_after_(database,
                        "SELECT to_us FROM entry_group WHERE to_us > ?1 AND +meter = ?2"
                        " ORDER BY to_us DESC, meter DESC LIMIT 1") {}

Result<void> EntryWrites::mark_day(MeterKey meter, Instant end) {
    const auto day = day_of(end);
    Known& known = known_[meter];
    if (known.marked_day == day) return {};
    auto marked = mark_day_.run(day, meter).finish();
    if (marked) known.marked_day = day;
    return marked;
}

Result<Instant> EntryWrites::grouped_until(MeterKey meter, Instant from) {
    Known& known = known_[meter];
    if (known.grouped_until != Instant::min()) return known.grouped_until;
    if (!newest_group_) {
        const auto newest = database_.integer("SELECT max(to_us) FROM entry_group");
        if (!newest) return tl::unexpected(newest.error());
        newest_group_ = instant_of(*newest);
    }
    if (from >= *newest_group_) return from;
    Cursor cursor = last_group_after_.run(from, meter);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    const Instant until = *found ? cursor.column<Instant>(0) : from;
    known.grouped_until = until;
    return until;
}

Result<void> EntryWrites::add(MeterKey meter, const Entry& entry) {
    const auto until = grouped_until(meter, entry.span.from);
    if (!until) return tl::unexpected(until.error());
    if (!EntryGroup::suits(entry) || entry.span.from < *until) {
        if (const auto waiting = waiting_.find(meter); waiting != waiting_.end())
            waiting->second.cleared.reset();
        auto settled = entry.span.to <= *until ? make_rows(meter, entry.span.to) : Result<void>();
        return settled.and_then([&] { return rows_.add(meter, entry); }).and_then([&] {
            return mark_day(meter, entry.span.to);
        });
    }
    auto& [group, newest, cleared] = waiting_[meter];
    if (newest) {
        if (group.size() > 0 && (!group.takes(*newest) || group.is_full())) {
            if (auto written = put(meter, std::exchange(group, {})); !written) return written;
        }
        group.add(*newest);
    }
    newest = entry;
    known_[meter].grouped_until = entry.span.to;
    if (auto marked = mark_day(meter, entry.span.to); !marked) return marked;
    // Without a transaction, each change is written at once.
    return database_.in_transaction() ? Result<void>() : write(meter);
}

std::vector<EntryGroup> EntryWrites::groups_of(Waiting& waiting) {
    std::vector<EntryGroup> groups;
    auto& [group, newest, cleared] = waiting;
    const bool stands_apart = newest && group.size() > 0 && (!group.takes(*newest) || group.is_full());
    if (stands_apart) groups.push_back(std::exchange(group, {}));
    if (newest) group.add(*newest);
    if (group.size() > 0) groups.push_back(std::move(group));
    return groups;
}

std::optional<Entry> EntryWrites::waiting_around(MeterKey meter, Instant t) const {
    const auto found = waiting_.find(meter);
    if (found == waiting_.end()) return std::nullopt;
    const auto& newest = found->second.newest;
    return newest && newest->span.from < t && t < newest->span.to ? newest : std::nullopt;
}

std::optional<Entry> EntryWrites::waiting_before(MeterKey meter, Instant t) const {
    const auto found = waiting_.find(meter);
    if (found == waiting_.end()) return std::nullopt;
    const auto& [group, newest, cleared] = found->second;
    // Outside the cleared span, an entry without length may also end at this moment.
    const bool is_inside = cleared && cleared->from < t && t < cleared->to;
    const bool is_between = newest && newest->span.from == t && group.size() > 0 && group.last().span.to == t;
    return is_inside && is_between ? std::optional(group.last()) : std::nullopt;
}

Result<void> EntryWrites::write_ending_by(MeterKey meter, Instant t) {
    const auto found = waiting_.find(meter);
    if (found == waiting_.end()) return {};
    const auto& [group, newest, cleared] = found->second;
    const bool ends_later = group.size() == 0 && newest && newest->span.to > t;
    return ends_later ? Result<void>() : write(meter);
}

Result<void> EntryWrites::put(MeterKey meter, const EntryGroup& group) {
    // A single entry becomes a row, and the next group may begin where it began.
    const bool is_row = group.size() == 1;
    known_[meter].grouped_until = is_row ? group.last().span.from : group.last().span.to;
    if (is_row) return rows_.add(meter, group.last());
    return put_group_.run(group.last().span.to, meter, Bytes{group.block()}).finish();
}

Result<void> EntryWrites::write(MeterKey meter) {
    const auto found = waiting_.find(meter);
    if (found == waiting_.end()) return {};
    const auto groups = groups_of(found->second);
    waiting_.erase(found);
    for (const EntryGroup& group : groups) {
        if (auto written = put(meter, group); !written) return written;
    }
    return {};
}

Result<void> EntryWrites::write_all() {
    if (waiting_.empty()) return {};
    std::vector<std::pair<MeterKey, EntryGroup>> all;
    all.reserve(waiting_.size());
    for (auto& [meter, waiting] : waiting_) {
        for (EntryGroup& group : groups_of(waiting))
            all.emplace_back(meter, std::move(group));
    }
    waiting_.clear();
    // In the order of the tables' keys, so that neighbours are written together.
    std::sort(all.begin(), all.end(), [](const auto& a, const auto& b) {
        return std::tuple(a.second.last().span.to, a.first) < std::tuple(b.second.last().span.to, b.first);
    });
    for (const auto& [meter, group] : all) {
        if (auto written = put(meter, group); !written) return written;
    }
    return {};
}

Result<void> EntryWrites::make_rows(MeterKey meter, Instant end) {
    if (auto written = write(meter); !written) return written;
    std::vector<NumberedEntry> entries;
    {
        Cursor cursor = group_from_.run(end, start_of_day(day_of(end) + 1), meter);
        const auto found = cursor.next();
        if (!found) return tl::unexpected(found.error());
        if (!*found) return {};
        auto group = group_of(cursor, database_);
        if (!group) return tl::unexpected(group.error());
        entries = std::move(*group);
    }
    if (entries.front().entry.span.from > end) return {};
    const Instant group_end = entries.back().entry.span.to;
    auto done = delete_group_.run(group_end, meter).finish();
    // If it was the newest group, the next one may begin where it began.
    if (Known& known = known_[meter]; known.grouped_until == group_end)
        known.grouped_until = entries.front().entry.span.from;
    for (const NumberedEntry& each : entries) {
        if (done) done = rows_.add(meter, each.entry);
    }
    return done;
}

void EntryWrites::forget() {
    known_.clear();
    newest_group_.reset();
    waiting_.clear();
}

Result<std::vector<NumberedEntry>> EntryWrites::at_instant(MeterKey meter, Instant end, Duration length,
                                                           bool are_adjustments) {
    Cursor cursor = same_span_.run(end, meter, length, are_adjustments);
    return rows_of(cursor, entry_of);
}

Result<void> EntryWrites::remove(MeterKey meter, const Entry& entry) {
    const auto waiting = waiting_.find(meter);
    if (waiting != waiting_.end() && waiting->second.newest == entry) {
        waiting->second.newest.reset();
        waiting->second.cleared = entry.span;
        known_[meter].grouped_until = entry.span.from;
        return {};
    }
    if (auto made = make_rows(meter, entry.span.to); !made) return made;
    const bool is_adjustment = entry.kind == EntryKind::adjustment;
    const auto candidates = at_instant(meter, entry.span.to, entry.span.length(), is_adjustment);
    if (!candidates) return tl::unexpected(candidates.error());
    if (candidates->empty() && is_adjustment) return {};
    if (candidates->empty()) {
        return tl::unexpected(database_.damaged("it lacks the entry from " + format_utc(entry.span.from) +
                                                " to " + format_utc(entry.span.to) +
                                                " that was to be divided"));
    }
    const auto equal = std::find_if(candidates->begin(), candidates->end(),
                                    [&](const NumberedEntry& each) { return each.entry == entry; });
    return remove(meter, equal == candidates->end() ? candidates->front() : *equal);
}

Result<void> EntryWrites::remove(MeterKey meter, const NumberedEntry& numbered) {
    // The others of its span are renumbered, so that the next one added does not get a free number before
    // them.
    const auto at = [&](Statement& change) {
        const Span& span = numbered.entry.span;
        return change.run(span.to, meter, span.length(), numbered.n).finish();
    };
    const bool is_adjustment = numbered.entry.kind == EntryKind::adjustment;
    if (!is_adjustment && database_.in_transaction()) waiting_[meter].cleared = numbered.entry.span;
    return at(delete_).and_then([&] { return at(close_up_); });
}

Result<void> EntryWrites::replace(MeterKey meter, const Entry& entry, std::span<const Entry> parts) {
    const bool is_between = std::any_of(parts.begin(), parts.end(),
                                        [&](const Entry& part) { return part.span.from == entry.span.to; });
    const auto waiting = waiting_.find(meter);
    if (!is_between && waiting != waiting_.end() && waiting->second.newest == entry) {
        Result<void> done = remove(meter, entry);
        for (const Entry& part : parts) {
            if (done) done = add(meter, part);
        }
        return done;
    }
    if (auto made = make_rows(meter, entry.span.to); !made) return made;
    auto following = at_instant(meter, entry.span.to, Duration{0}, false);
    if (!following) return tl::unexpected(following.error());
    const auto self = std::find_if(following->begin(), following->end(),
                                   [&](const NumberedEntry& each) { return each.entry == entry; });
    if (self != following->end()) following->erase(following->begin(), std::next(self));
    // Entries without length keep the order in which they were added.
    if (!is_between) following->clear();
    Result<void> done;
    for (auto each = following->rbegin(); done && each != following->rend(); ++each)
        done = remove(meter, *each);
    if (done) done = remove(meter, entry);
    for (const Entry& part : parts) {
        if (done) done = add(meter, part);
    }
    for (const NumberedEntry& each : *following) {
        if (done) done = add(meter, each.entry);
    }
    return done;
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
    auto removed = delete_until_.run(end)
                       .finish()
                       .and_then([&] { return delete_groups_until_.run(end).finish(); })
                       .and_then([&] { return unmark_until_.run(day).finish(); });
    if (!removed) return tl::unexpected(removed.error());
    return end;
}

}  // namespace tickledger
