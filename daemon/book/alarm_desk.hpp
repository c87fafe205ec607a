// Raises and clears the alarms of an account, once each, does what people say of them, and tells the ledger
// and the broker.
#pragma once

#include <functional>

#include "book/account.hpp"
#include "book/evidence.hpp"
#include "book/outbox.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

class AlarmDesk {
public:
    AlarmDesk(const CivilZone& zone, Ledger& ledger, Outbox& outbox)
        : zone_(zone), ledger_(ledger), outbox_(outbox) {}

    /// The condition of this kind holds, told or not.
    [[nodiscard]] static bool is_active(const Account& account, AlarmKind kind);

    /// A kind that stands already stays the alarm it is; one that is shelved stays shelved. Throws
    /// StoreFailure.
    void raise(Account& account, AlarmKind kind, Instant at, const Evidence& evidence);
    /// Nothing where it does not stand. Throws StoreFailure.
    void clear(Account& account, AlarmKind kind, Instant at);
    /// Clears what was switched off while it stood. Throws StoreFailure.
    void clear_switched_off(Account& account, Instant at);
    /// Missing data left the question open, and says so. Throws StoreFailure.
    void leave_undecided(const Account& account, AlarmKind kind, Span window, const std::string& text);

    /// Changes the alarm of a kind that was raised at a moment; `change` tells whether it did. Nothing where
    /// there is none. (Ids differ from one ledger to another: a replay of a part of the messages could not
    /// find an alarm by its own.) Throws StoreFailure.
    void change(Account& account, AlarmKind kind, Instant raised_at,
                const std::function<bool(Alarm& alarm, bool is_newest)>& change);

    /// When the next shelving of an account ends.
    [[nodiscard]] static std::optional<Instant> deadline(const Account& account);
    /// Ends those that end by this moment. Throws StoreFailure.
    void end_shelvings(Account& account, Instant until);

private:
    /// Keeps the newest alarm of its kind at hand while something may become of it, and publishes it.
    void keep(Account& account, const Alarm& alarm);

    const CivilZone& zone_;
    Ledger& ledger_;
    Outbox& outbox_;
};

}  // namespace tickledger
