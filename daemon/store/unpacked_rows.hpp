// Writes the rows of a block back into the table. Used by the writer only.
#pragma once

#include <vector>

#include "store/packed_block.hpp"
#include "store/statement.hpp"

namespace tickledger {

class UnpackedRows {
public:
    explicit UnpackedRows(Database& database)
        : put_(database,
               "INSERT INTO usage_row (step, start_us, meter, ticks, covered_us, spread_ticks, revision)"
               " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)") {}

    [[nodiscard]] Result<void> put(Step step, MeterKey meter, const std::vector<TimedRow>& rows) {
        for (const auto& [start, row] : rows) {
            auto done =
                put_.run(step, start, meter, row.ticks, row.covered, row.spread_ticks, row.revision).finish();
            if (!done) return done;
        }
        return {};
    }

private:
    Statement put_;
};

}  // namespace tickledger
