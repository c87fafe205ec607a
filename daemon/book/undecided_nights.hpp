// The nights for which it is unknown whether water ran, as the ledger lists them. Nights that follow one
// another are one row, however many there are.
#pragma once

#include "book/account.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// All methods throw StoreFailure. `nights` reaches from the beginning of a night to the end of the same
/// night or of a later one.
class UndecidedNights {
public:
    UndecidedNights(const CivilZone& zone, Ledger& ledger) : zone_(zone), ledger_(ledger) {}

    /// Marks the nights as undecided: extends the row next to them, or adds a new one.
    void mark(const Account& account, Span nights);
    /// Marks the nights as decided: shrinks, divides or removes the row that holds them.
    void settle(const Account& account, Span nights);

private:
    void put(const Account& account, Span row);

    const CivilZone& zone_;
    Ledger& ledger_;
};

}  // namespace tickledger
