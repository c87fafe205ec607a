// Takes in what people tell of the time before a meter's first reading, and out again.
#pragma once

#include <span>
#include <string>

#include "book/account.hpp"
#include "book/history_rules.hpp"
#include "book/row_cache.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// History lies in hours and longer rows, like every entry, but in no interval, no alarm and not in the
/// register: the account's own ticks begin at its first reading. All methods throw StoreFailure.
class HistoryDesk {
public:
    HistoryDesk(const CivilZone& zone, Ledger& ledger, RowCache& rows)
        : zone_(zone), ledger_(ledger), rows_(rows) {}

    /// Books what of a piece is not booked yet; nothing where the rules refuse it.
    void book(Account& account, const std::string& import, std::span<const HistoryPoint> points);
    /// Takes out all that came under a name: as if it had never been told.
    void undo(Account& account, const std::string& import);

private:
    const CivilZone& zone_;
    Ledger& ledger_;
    RowCache& rows_;
};

}  // namespace tickledger
