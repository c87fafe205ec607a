// Packs the day rows of quarters that are over, and unpacks them before they change. Used by the writer only.
#pragma once

#include <cstdint>
#include <limits>
#include <map>
#include <optional>
#include <vector>

#include "store/packed_reads.hpp"
#include "store/unpacked_rows.hpp"

namespace tickledger {

/// Rows are stored in order of time, those of all meters side by side, so the days of one meter's quarter
/// take 92 look-ups. Packed they take one. (If a block were a whole year, the days of the current year would
/// be rows.) A quarter of a meter is either packed or not packed, as with a day's rows (DayPacker).
class QuarterPacker {
public:
    QuarterPacker(Database& database, PackedReads& reads);

    /// Packs the days of the oldest UTC quarter that has some as rows, if it ended a day or more before
    /// `before`. Of very many meters it packs some, and the next call the others. Returns whether there was
    /// such a quarter.
    [[nodiscard]] Result<bool> pack_oldest_quarter(Instant before);
    /// Turns the meter's packed quarters back into rows, from the quarter of `from` to that of `to`, both
    /// inclusive.
    [[nodiscard]] Result<void> unpack_quarters(MeterKey meter, Instant from, Instant to);
    /// How many days from that moment on are packed, of any meter. Never more than there are.
    [[nodiscard]] Result<std::int64_t> days_from(Instant from);
    /// Call it after a rollback: what is remembered of the tables may be wrong then.
    void forget() {
        next_ = {};
        forget_last();
    }

private:
    /// Where packing continues. Nothing before `begin` is left to be packed, and in the quarter that begins
    /// there nothing of the meters up to `after`.
    struct Place {
        Instant begin = Instant::min();
        MeterKey after = std::numeric_limits<MeterKey>::min();
    };
    using Quarters = std::map<MeterKey, std::vector<TimedRow>>;

    /// The first moment at or after `from` at which a day's row of any meter begins.
    [[nodiscard]] Result<std::optional<Instant>> first_start(Instant from);
    /// Takes the rows out of the table.
    [[nodiscard]] Result<Quarters> take_rows(UtcDays quarter, MeterKey after, MeterKey last);
    [[nodiscard]] Result<void> put(UtcDays quarter, MeterKey meter, std::vector<TimedRow> rows);
    [[nodiscard]] Result<std::int64_t> last_packed();
    void forget_last() {
        last_packed_.reset();
        reads_.know_last(PackedTable::days, {});
    }

    PackedReads& reads_;
    Statement first_start_, last_of_slice_;
    Statement rows_, delete_rows_;
    UnpackedRows unpacked_rows_;
    Statement put_quarter_, delete_quarter_;
    Statement quarters_of_meter_, last_quarter_, longest_of_quarters_;
    Place next_;
    /// The last quarter that has a block. Most changes are later, and need no look at the table.
    std::optional<std::int64_t> last_packed_;
};

}  // namespace tickledger
