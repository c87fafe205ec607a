// The nights of which it cannot be told whether water ran, as the ledger lists them: nights that follow one
// another are one row, however many they are.
#pragma once

#include "book/account.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// All methods throw StoreFailure. `nights` reaches from the beginning of a night to the end of the same or a
/// later one.
class UndecidedNights {
public:
    UndecidedNights(const CivilZone& zone, Ledger& ledger) : zone_(zone), ledger_(ledger) {}

    /// Marks the nights undecided: the row next to them grows, or a new one is added.
    void mark(const Account& account, Span nights);
    /// Marks the nights decided: the row that holds them shrinks, is divided, or is removed.
    void settle(const Account& account, Span nights);

private:
    void put(const Account& account, Span row);

    const CivilZone& zone_;
    Ledger& ledger_;
};

}  // namespace tickledger
