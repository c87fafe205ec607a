// The series while a batch is open: rows are read once, changed in memory, written at its end.
#pragma once

#include <unordered_map>
#include <vector>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// One row that a reading changed.
struct ChangedRow {
    RowKey key;
    Span span;
    Row row;  ///< As it is now.
    bool was_closed = false;
};

class Rows {
public:
    explicit Rows(Ledger& ledger) : ledger_(ledger) {}

    /// Takes entries out of and into the series of an account, as one fact: each closed row that it changes
    /// gets one revision more. Intervals that ended by `fine_detail_from` are kept no longer and stay away.
    /// Returns the rows it changed, in order of step and time. Throws StoreFailure.
    const std::vector<ChangedRow>& change(Account& account, std::span<const Entry> removed,
                                          std::span<const Entry> added,
                                          std::optional<Instant> fine_detail_from = {});

    [[nodiscard]] std::optional<Row> row(const RowKey& key);

    /// Writes what changed since the last flush. Throws StoreFailure.
    void flush();
    /// Forgets all, after a batch was rolled back.
    void forget();

private:
    struct Kept {
        std::optional<Row> row;
        bool is_changed = false;
    };
    struct Hash {
        std::size_t operator()(const RowKey& key) const;
    };
    Kept& kept_row(const RowKey& key);
    void collect(Account& account, const Entry& entry, int sign);

    Ledger& ledger_;
    std::unordered_map<RowKey, Kept, Hash> rows_;
    std::vector<RowKey> changed_keys_;
    std::vector<ChangedRow> changed_;
    // Scratch space of one change, kept to spare allocations.
    struct Delta {
        RowKey key;
        Share share;
    };
    std::vector<Delta> deltas_;
    std::vector<Share> intervals_;
    std::vector<Share> coarser_;
};

}  // namespace tickledger
