#include "store/entry_row.hpp"

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

}  // namespace tickledger
