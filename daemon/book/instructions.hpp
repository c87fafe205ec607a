// Carries out what people told the daemon to do, in the order of the message log.
//
// The same line must have the same effect live, after a kill and in a replay. So every instruction is decided
// here, from the line and the ledger alone. A repeated instruction must change nothing, because a client that
// got no answer sends it again.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "book/accounts.hpp"
#include "book/alarm_desk.hpp"
#include "book/history_desk.hpp"
#include "book/register_follower.hpp"
#include "store/recording.hpp"

namespace tickledger {

class Instructions {
public:
    Instructions(Accounts& accounts, AlarmDesk& desk, RegisterFollower& follower, HistoryDesk& history,
                 Ledger& ledger)
        : accounts_(accounts), desk_(desk), follower_(follower), history_(history), ledger_(ledger) {}

    /// Carries out an instruction and returns the account that it concerns. Null: it concerns no account, and
    /// nothing was done. Instructions for a meter of another configuration, or of a kind that only another
    /// version of this program knows, are skipped. Throws StoreFailure.
    Account* take(const Instruction& instruction);

private:
    void read_register(Account& account, const nlohmann::json& document, Instant now);
    void take_back_reading(Account& account, const nlohmann::json& document, Instant now);
    void set_pulse_value(Account& account, const nlohmann::json& document, Instant now);
    void acknowledge_alarm(Account& account, const nlohmann::json& document, Instant now);
    void unacknowledge_alarm(Account& account, const nlohmann::json& document, Instant now);
    void shelve_alarm(Account& account, const nlohmann::json& document, Instant now);
    void unshelve_alarm(Account& account, const nlohmann::json& document, Instant now);
    void set_away(Account& account, const nlohmann::json& document, Instant now);
    void import_history(Account& account, const nlohmann::json& document, Instant now);
    void undo_import(Account& account, const nlohmann::json& document, Instant now);
    void tell_draw(Account& account, const nlohmann::json& document, Instant now);
    void forget_draw(Account& account, const nlohmann::json& document, Instant now);

    Accounts& accounts_;
    AlarmDesk& desk_;
    RegisterFollower& follower_;
    HistoryDesk& history_;
    Ledger& ledger_;
};

}  // namespace tickledger
