#include "store/boot_table.hpp"

#include <algorithm>
#include <limits>

namespace tickledger {

BootTable::BootTable(Database& database)
    : boot_(database, "SELECT first_seq, last_seq FROM boot WHERE meter = ?1 AND boot = ?2"),
      put_(database,
           "INSERT INTO boot (meter, boot, first_seq, last_seq) VALUES (?1, ?2, ?3, ?4)"
           " ON CONFLICT DO UPDATE SET first_seq = ?3, last_seq = ?4"),
      range_before_(database,
                    "SELECT first_seq, last_seq FROM hole WHERE meter = ?1 AND boot = ?2 AND first_seq <= ?3"
                    " ORDER BY first_seq DESC LIMIT 1"),
      insert_range_(database, "INSERT INTO hole (meter, boot, first_seq, last_seq) VALUES (?1, ?2, ?3, ?4)"),
      delete_range_(database, "DELETE FROM hole WHERE meter = ?1 AND boot = ?2 AND first_seq = ?3") {}

Result<std::optional<BootRecord>> BootTable::boot(MeterKey meter, std::uint64_t boot) {
    Cursor cursor = boot_.run(meter, boot);
    return cursor.next().map([&](bool found) {
        return found ? std::optional(BootRecord{boot, cursor.column<std::optional<std::uint64_t>>(0),
                                                cursor.column<std::optional<std::uint64_t>>(1)})
                     : std::nullopt;
    });
}

Result<void> BootTable::put(MeterKey meter, const BootRecord& record) {
    return put_.run(meter, record.boot, record.first_seq, record.last_seq).finish();
}

Result<std::optional<BootTable::Range>> BootTable::range_before(MeterKey meter, std::uint64_t boot,
                                                                std::int64_t seq) {
    Cursor cursor = range_before_.run(meter, boot, seq);
    return cursor.next().map([&](bool found) {
        return found ? std::optional(Range{cursor.column<std::int64_t>(0), cursor.column<std::int64_t>(1)})
                     : std::nullopt;
    });
}

Result<void> BootTable::add_range(MeterKey meter, std::uint64_t boot, Range range) {
    for (;;) {
        const auto other = range_before(meter, boot, range.last);
        if (!other) return tl::unexpected(other.error());
        if (!*other || (*other)->last < range.first) break;
        if (auto gone = delete_range_.run(meter, boot, (*other)->first).finish(); !gone) return gone;
        range = {std::min(range.first, (*other)->first), std::max(range.last, (*other)->last)};
    }
    return insert_range_.run(meter, boot, range.first, range.last).finish();
}

Result<void> BootTable::add_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                std::uint64_t last_seq) {
    using Limits = std::numeric_limits<std::int64_t>;
    const auto first = static_cast<std::int64_t>(first_seq);
    const auto last = static_cast<std::int64_t>(last_seq);
    if (first <= last) return add_range(meter, boot, {first, last});
    return add_range(meter, boot, {first, Limits::max()}).and_then([&] {
        return add_range(meter, boot, {Limits::min(), last});
    });
}

Result<bool> BootTable::in_gap(MeterKey meter, std::uint64_t boot, std::uint64_t seq) {
    const auto number = static_cast<std::int64_t>(seq);
    return range_before(meter, boot, number).map([&](const std::optional<Range>& range) {
        return range && number <= range->last;
    });
}

Result<void> BootTable::fill_gap(MeterKey meter, std::uint64_t boot, std::uint64_t first_seq,
                                 std::uint64_t last_seq) {
    const Range filled{static_cast<std::int64_t>(first_seq), static_cast<std::int64_t>(last_seq)};
    for (;;) {
        const auto found = range_before(meter, boot, filled.last);
        if (!found) return tl::unexpected(found.error());
        if (!*found || (*found)->last < filled.first) return {};
        const Range range = **found;
        auto done = delete_range_.run(meter, boot, range.first).finish();
        if (done && range.first < filled.first)
            done = insert_range_.run(meter, boot, range.first, filled.first - 1).finish();
        if (done && filled.last < range.last)
            done = insert_range_.run(meter, boot, filled.last + 1, range.last).finish();
        if (!done) return done;
    }
}

}  // namespace tickledger
