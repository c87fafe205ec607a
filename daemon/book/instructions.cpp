// What people told the daemon to do, in the order of the message log.
//
// Live, after a kill and in a replay the same line does the same, so each kind of instruction is decided
// here, from the line and the ledger alone. One that was given again must change nothing: a client that got
// no answer says it again.

#include <array>
#include <nlohmann/json.hpp>

#include "book/bookkeeper.hpp"
#include "book/orders.hpp"

namespace tickledger {

void Bookkeeper::take_instruction(const Instruction& instruction) {
    struct Kind {
        std::string_view name;
        void (Bookkeeper::*take)(Account& account, const nlohmann::json& order, Instant now);
    };
    constexpr std::array kinds{
        Kind{order_read_register, &Bookkeeper::read_register},
        Kind{order_take_back_reading, &Bookkeeper::take_back_reading},
        Kind{order_set_pulse_value, &Bookkeeper::apply_pulse_value},
        Kind{order_acknowledge_alarm, &Bookkeeper::acknowledge_alarm},
        Kind{order_shelve_alarm, &Bookkeeper::shelve_alarm},
        Kind{order_unshelve_alarm, &Bookkeeper::unshelve_alarm},
        Kind{order_set_away, &Bookkeeper::set_away},
    };
    const auto order = nlohmann::json::parse(instruction.order, nullptr, false);
    if (!order.is_object()) return;
    Account* account = accounts_.find(text_in(order, "meter"));
    // What another version of this program understood, or another configuration knew, is passed over.
    if (!account) return;
    for (const Kind& kind : kinds) {
        if (kind.name == text_in(order, "do")) (this->*kind.take)(*account, order, instruction.at);
    }
    schedule(*account);
}

namespace {

/// The kind of alarm that an order names, and when that one was raised.
std::optional<std::pair<AlarmKind, Instant>> alarm_in(const nlohmann::json& order) {
    const auto kind = alarm_kind_named(text_in(order, "kind"));
    const auto raised_at = instant_in(order, "raised_at");
    if (!kind || !raised_at) return std::nullopt;
    return std::pair{*kind, *raised_at};
}

}  // namespace

void Bookkeeper::acknowledge_alarm(Account& account, const nlohmann::json& order, Instant now) {
    const auto meant = alarm_in(order);
    if (!meant) return;
    desk_.change(account, meant->first, meant->second,
                 [&](Alarm& alarm, bool) { return acknowledge(alarm, now); });
}

void Bookkeeper::shelve_alarm(Account& account, const nlohmann::json& order, Instant now) {
    const auto meant = alarm_in(order);
    const auto for_s = whole_in(order, "for_s");
    if (!meant || !for_s || *for_s <= 0 || *for_s > shelved_max_s) return;
    // People read these times: fractions of a second would only be in the way.
    const Instant until = std::chrono::ceil<std::chrono::seconds>(now) + std::chrono::seconds{*for_s};
    // What comes back while it is shelved goes on as the newest of its kind.
    desk_.change(account, meant->first, meant->second,
                 [&](Alarm& alarm, bool is_newest) { return is_newest && shelve(alarm, until); });
}

void Bookkeeper::unshelve_alarm(Account& account, const nlohmann::json& order, Instant) {
    const auto meant = alarm_in(order);
    if (!meant) return;
    desk_.change(account, meant->first, meant->second, [](Alarm& alarm, bool) { return unshelve(alarm); });
}

void Bookkeeper::set_away(Account& account, const nlohmann::json& order, Instant now) {
    ToldAway told{.from = std::nullopt, .to = std::nullopt, .configured = account.settings.alarms.away};
    if (flag_in(order, "away")) {
        told.from = instant_in(order, "from");
        told.to = instant_in(order, "to");
        // Who is away already and says so again has been away since.
        const auto before = absence(account.memory.away, account.settings.alarms);
        const bool is_away = account.memory.away && before && before->from <= now && now < before->to;
        if (!told.from) told.from = is_away ? before->from : std::chrono::floor<std::chrono::seconds>(now);
    } else {
        desk_.clear(account, AlarmKind::away_use, now);
    }
    account.memory.away = told;
    account.is_changed = true;
}

}  // namespace tickledger
