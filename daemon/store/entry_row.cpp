#include "store/entry_row.hpp"

namespace tickledger {

std::optional<std::uint64_t> stored_begin_count(const Entry& entry) {
    const bool follows = entry.kind != EntryKind::lost &&
                         entry.begin_count == entry.end.count - static_cast<std::uint64_t>(entry.ticks);
    return follows ? std::nullopt : std::optional(entry.begin_count);
}

Result<NumberedEntry> entry_of(const Run& run) {
    const auto kind = run.column(3, EntryKind::adjustment);
    if (!kind) return tl::unexpected(kind.error());
    Entry entry;
    entry.span.to = run.column<Instant>(0);
    entry.span.from = entry.span.to - run.column<Duration>(1);
    entry.ticks = run.column<std::int64_t>(2);
    entry.kind = *kind;
    entry.placed = run.column<bool>(4);
    entry.unseen_max = run.column<std::optional<std::uint64_t>>(5);
    entry.end.count = run.column<std::uint64_t>(7);
    entry.end.boot = run.column<std::uint64_t>(8);
    entry.end.seq = run.column<std::uint64_t>(9);
    entry.begin_count = run.column<std::optional<std::uint64_t>>(6).value_or(
        entry.end.count - static_cast<std::uint64_t>(entry.ticks));
    return NumberedEntry{entry, run.column<std::int64_t>(10)};
}

Result<std::optional<NumberedEntry>> next_entry(Run& run) {
    const auto found = run.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    return entry_of(run).map([](const NumberedEntry& entry) { return std::optional(entry); });
}

}  // namespace tickledger
