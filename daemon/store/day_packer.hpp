// Packs the rows of old days, and unpacks them before they change. Used by the writer only.
#pragma once

#include <cstdint>
#include <limits>
#include <map>
#include <optional>

#include "store/entry_row.hpp"
#include "store/packed_reads.hpp"
#include "store/unpacked_rows.hpp"

namespace tickledger {

/// A day of a meter is either packed or not packed. Whoever changes one of its rows has it unpacked first, in
/// the same transaction. It is packed again when its turn comes. Entries that are not measured stay rows:
/// they are few, and are found through indexes of their own.
class DayPacker {
public:
    DayPacker(Database& database, PackedReads& reads);

    /// As Ledger::pack_oldest, for days only.
    [[nodiscard]] Result<bool> pack_oldest_day(Instant before);
    /// Turns the meter's packed days back into rows, from the day of `from` to that of `to`, both inclusive.
    [[nodiscard]] Result<void> unpack_days(MeterKey meter, Instant from, Instant to);
    /// Removes the readings' blocks of all days up to this one, inclusive.
    [[nodiscard]] Result<void> remove_readings_until(std::int64_t day) {
        return remove_until_.run(day).finish();
    }
    /// Call it after a rollback: what is remembered of the tables may be wrong then.
    void forget() {
        next_ = {};
        forget_last();
    }

private:
    /// Everything of a meter on one day.
    struct MeterDay {
        PackedBlock readings;
        PackedBlock hours;
    };
    /// Some meters of one day: those with keys in (after, last].
    struct Slice {
        std::int64_t day = 0;
        MeterKey after = std::numeric_limits<MeterKey>::min();
        MeterKey last = std::numeric_limits<MeterKey>::max();
    };
    /// Where packing continues. Nothing before this place is left to be packed.
    struct Place {
        std::int64_t day = std::numeric_limits<std::int64_t>::min();
        MeterKey after = std::numeric_limits<MeterKey>::min();
    };

    [[nodiscard]] Result<std::optional<Slice>> next_slice(Instant before);
    [[nodiscard]] Result<std::map<MeterKey, MeterDay>> rows_of(const Slice& slice);
    [[nodiscard]] Result<void> remove_rows(const Slice& slice);
    /// Writes the block. If the block would not unpack to the same content, writes the rows again instead.
    [[nodiscard]] Result<void> put(PackedTable table, const Slice& slice, MeterKey meter,
                                   const PackedBlock& block);
    [[nodiscard]] Result<void> put_rows(PackedTable table, MeterKey meter, const PackedBlock& block);
    [[nodiscard]] Result<void> unpack_day(MeterKey meter, std::int64_t day);
    [[nodiscard]] Result<std::int64_t> last_packed();
    void forget_last() {
        last_packed_.reset();
        reads_.know_last(PackedTable::readings, {});
        reads_.know_last(PackedTable::hours, {});
    }

    PackedReads& reads_;
    Database& database_;
    EntryRows entry_rows_;
    Statement first_entry_, first_group_, first_row_, last_of_slice_;
    Statement entries_, groups_, rows_;
    Statement delete_entries_, delete_groups_, delete_rows_;
    Statement put_readings_, put_hours_;
    UnpackedRows unpacked_rows_;
    Statement delete_readings_, delete_hours_;
    Statement packed_days_, last_packed_day_;
    Statement remove_until_;
    Place next_;
    /// The last day that has a block. Most changes are later, and need no look at the tables.
    std::optional<std::int64_t> last_packed_;
};

}  // namespace tickledger
