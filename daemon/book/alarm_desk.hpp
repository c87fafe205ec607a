// Raises and clears an account's alarms, carries out what people ask for, and passes each change to the
// ledger and the outbox.
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

    /// Whether the condition of this kind holds, shelved or not.
    [[nodiscard]] static bool is_active(const Account& account, AlarmKind kind);

    /// Does nothing if the kind is active already. A shelved alarm stays shelved. Throws StoreFailure.
    void raise(Account& account, AlarmKind kind, Instant at, const Evidence& evidence);
    /// Does nothing if the kind is not active. Throws StoreFailure.
    void clear(Account& account, AlarmKind kind, Instant at);
    /// Clears the active alarms of kinds that are switched off in the settings. Throws StoreFailure.
    void clear_switched_off(Account& account, Instant at);
    /// Records a window for which missing data left the question undecided. Throws StoreFailure.
    void leave_undecided(const Account& account, AlarmKind kind, Span window, const std::string& text);

    /// Changes the alarm of this kind that was raised at `raised_at`, and stores it if `change` returns true.
    /// Does nothing if there is no such alarm. Throws StoreFailure.
    ///
    /// Alarms are found by kind and moment, not by id. Ids differ from one ledger to another, so a replay of
    /// part of the messages could not find an alarm by its id.
    void change(Account& account, AlarmKind kind, Instant raised_at,
                const std::function<bool(Alarm& alarm, bool is_newest)>& change);

    /// When the next shelving of an account ends. Nothing: none is running.
    [[nodiscard]] static std::optional<Instant> deadline(const Account& account);
    /// Ends every shelving that is due by this moment. Throws StoreFailure.
    void end_shelvings(Account& account, Instant until);

private:
    /// Keeps the newest alarm of its kind in the account while it is active or shelved, and publishes it.
    void keep(Account& account, const Alarm& alarm);

    const CivilZone& zone_;
    Ledger& ledger_;
    Outbox& outbox_;
};

}  // namespace tickledger
