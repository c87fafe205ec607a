// Books what people tell about the time before a meter's first reading, and removes it again.
#pragma once

#include <span>
#include <string>

#include "book/account.hpp"
#include "book/history_rules.hpp"
#include "book/row_cache.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// History is booked into hours and longer rows, like every entry. It is in no interval, raises no alarm and
/// is not part of the register: the account's own ticks begin at its first reading. All methods throw
/// StoreFailure.
class HistoryDesk {
public:
    HistoryDesk(const CivilZone& zone, Ledger& ledger, RowCache& rows)
        : zone_(zone), ledger_(ledger), rows_(rows) {}

    /// Books the part of a piece that is not booked yet. Does nothing if the rules refuse the piece.
    void book(Account& account, const std::string& import, std::span<const HistoryPoint> points);
    /// Removes everything that was told under a name, as if it had never been told.
    void undo(Account& account, const std::string& import);

private:
    const CivilZone& zone_;
    Ledger& ledger_;
    RowCache& rows_;
};

}  // namespace tickledger
