#include "store/entry_row.hpp"

#include <fmt/format.h>

#include "store/entry_group.hpp"

namespace tickledger {

std::optional<std::uint64_t> stored_begin_count(const Entry& entry) {
    const bool follows = entry.kind != EntryKind::lost &&
                         entry.begin_count == entry.end.count - static_cast<std::uint64_t>(entry.ticks);
    return follows ? std::nullopt : std::optional(entry.begin_count);
}

Result<NumberedEntry> entry_of(const Cursor& cursor) {
    const auto kind = cursor.column(3, EntryKind::reverse);
    if (!kind) return tl::unexpected(kind.error());
    Entry entry;
    entry.span.to = cursor.column<Instant>(0);
    entry.span.from = entry.span.to - cursor.column<Duration>(1);
    entry.ticks = cursor.column<std::int64_t>(2);
    entry.kind = *kind;
    entry.time_estimated = cursor.column<bool>(4);
    entry.unseen_max = cursor.column<std::optional<std::uint64_t>>(5);
    entry.end.count = cursor.column<std::uint64_t>(7);
    entry.end.boot = cursor.column<std::uint64_t>(8);
    entry.end.seq = cursor.column<std::uint64_t>(9);
    entry.begin_count = cursor.column<std::optional<std::uint64_t>>(6).value_or(
        entry.end.count - static_cast<std::uint64_t>(entry.ticks));
    return NumberedEntry{entry, cursor.column<std::int64_t>(10)};
}

Result<std::optional<NumberedEntry>> next_entry(Cursor& cursor) {
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    return entry_of(cursor).map([](const NumberedEntry& entry) { return std::optional(entry); });
}

Result<std::vector<NumberedEntry>> group_of(const Cursor& cursor, const Database& database) {
    const auto to = cursor.column<Instant>(0);
    auto entries = entries_of_group(cursor.column<std::string_view>(2), to);
    if (entries) return entries;
    return tl::unexpected(
        database.damaged(fmt::format("the group of entries of meter {} that ends at {} cannot be read: {}",
                                     cursor.column<MeterKey>(1), format_utc(to), entries.error().text)));
}

EntryRows::EntryRows(Database& database)
    : database_(database),
      insert_first_(database, "INSERT OR IGNORE" INTO_ENTRY "0)"),
      insert_another_(database,
                      "INSERT" INTO_ENTRY
                      "(SELECT max(n) + 1 FROM entry WHERE to_us = ?1 AND meter = ?2 AND length_us = ?3))"),
      put_back_(database, "INSERT OR IGNORE" INTO_ENTRY "?12)") {}

Result<void> EntryRows::add(MeterKey meter, const Entry& entry) {
    // There are hardly ever two entries of one span, so an earlier one is not looked for first. That would
    // cost half as much again.
    auto added = insert_entry(insert_first_, meter, entry);
    if (added && database_.changed_rows() == 0) added = insert_entry(insert_another_, meter, entry);
    return added;
}

Result<void> EntryRows::put_back(MeterKey meter, const NumberedEntry& numbered) {
    auto added = insert_entry(put_back_, meter, numbered.entry, numbered.n);
    // An entry of a group was numbered without a look at the rows. One of its span that was there is earlier.
    if (added && database_.changed_rows() == 0) added = insert_entry(insert_another_, meter, numbered.entry);
    return added;
}

}  // namespace tickledger
