// The rows of the series while a batch is open. Rows are read once, changed in memory and written at the end
// of the batch. Each account caches the last changed row of each step, because the next entry nearly always
// falls into it.
#pragma once

#include <boost/unordered/unordered_flat_map.hpp>
#include <vector>

#include "book/account.hpp"
#include "book/valuation.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// One row that a change touched.
struct ChangedRow {
    RowKey key;
    Span span;
    Row row;  ///< As it is now.
    bool was_closed = false;
};

/// The finest rows that a change touches.
enum class Detail : std::uint8_t { intervals, hours };

class RowCache {
public:
    /// `fine_detail_from`: kept by the caller, read at each call. Closed intervals that ended by then are no
    /// longer kept.
    RowCache(Ledger& ledger, const std::optional<Instant>& fine_detail_from)
        : ledger_(ledger), fine_detail_from_(fine_detail_from) {}

    /// Removes entries from an account's series and adds others, as one change: each closed row that it
    /// touches gets one revision more. Intervals that are no longer kept are not recreated, because they
    /// would hold this change alone. Returns the changed rows, in order of step and time; they are valid
    /// until the next call. Throws StoreFailure.
    const std::vector<ChangedRow>& change(Account& account, std::span<const Entry> removed,
                                          std::span<const Entry> added, Detail detail = Detail::intervals);

    [[nodiscard]] std::optional<Row> row(const Account& account, Step step, Instant start);
    /// A function that gives the ticks of any row of an account. The account and this must outlive it.
    [[nodiscard]] TicksOfRow ticks_of(const Account& account);

    /// Writes the rows that changed since the last flush. Throws StoreFailure.
    void flush();
    /// Drops the account's open rows, because the rows in the ledger were changed directly. Precondition: all
    /// changes are written.
    static void forget(Account& account) { account.forget_open_rows(); }
    /// Drops everything, after a batch was rolled back. The accounts no longer exist.
    void forget();

private:
    struct Hash {
        std::size_t operator()(const RowKey& key) const;
    };
    OpenRow& open(Account& account, const RowKey& key);
    void collect(Account& account, const Entry& entry, int sign);

    Ledger& ledger_;
    const std::optional<Instant>& fine_detail_from_;
    /// Rows of the batch that their accounts no longer hold open. They are still needed for publications, and
    /// must be written.
    boost::unordered_flat_map<RowKey, OpenRow, Hash> left_;
    /// Which open rows have changed. A row may be listed more than once.
    std::vector<std::pair<Account*, Step>> touched_;
    std::vector<ChangedRow> changed_;
    // Scratch space for one change, kept to save allocations.
    struct Delta {
        RowKey key;
        Share share;
    };
    std::vector<Delta> deltas_;
    std::vector<Share> intervals_;
    std::vector<Share> coarser_;
};

}  // namespace tickledger
