// The series while a batch is open: rows are read once, changed in memory and written at the end of the
// batch. Each account caches the last changed row of each step, because the next entry nearly always falls
// into it.
#pragma once

#include <unordered_map>
#include <vector>

#include "book/account.hpp"
#include "book/valuation.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// One row that a reading changed.
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
    /// touches gets one revision more. Intervals that are no longer kept are not made anew: they would hold
    /// this change alone.
    /// Returns the rows it changed, in order of step and time. Throws StoreFailure.
    const std::vector<ChangedRow>& change(Account& account, std::span<const Entry> removed,
                                          std::span<const Entry> added, Detail detail = Detail::intervals);

    [[nodiscard]] std::optional<Row> row(const Account& account, Step step, Instant start);
    /// The ticks of any row of an account, which must outlive it.
    [[nodiscard]] TicksOfRow ticks_of(const Account& account);

    /// Writes what changed since the last flush. Throws StoreFailure.
    void flush();
    /// Forgets what it knows of an account's rows: the ledger's were changed beside it. All must be written.
    static void forget(Account& account) { account.forget_open_rows(); }
    /// Forgets all, after a batch was rolled back; the accounts that there were are gone.
    void forget();

private:
    struct Hash {
        std::size_t operator()(const RowKey& key) const;
    };
    OpenRow& open(Account& account, const RowKey& key);
    void collect(Account& account, const Entry& entry, int sign);

    Ledger& ledger_;
    const std::optional<Instant>& fine_detail_from_;
    /// Rows of the batch that are not at hand in their accounts any more: to be told as they close, and
    /// to be written.
    std::unordered_map<RowKey, OpenRow, Hash> left_;
    /// Where the rows at hand have changed; some more than once.
    std::vector<std::pair<Account*, Step>> touched_;
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
