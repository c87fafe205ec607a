#include "book/instructions.hpp"

#include <array>
#include <limits>
#include <nlohmann/json.hpp>

#include "book/instruction_documents.hpp"
#include "book/told_draws.hpp"

namespace tickledger {

Account* Instructions::take(const Instruction& instruction) {
    struct Kind {
        std::string_view name;
        void (Instructions::*take)(Account& account, const nlohmann::json& document, Instant now);
    };
    constexpr std::array kinds{
        Kind{instruction_read_register, &Instructions::read_register},
        Kind{instruction_take_back_reading, &Instructions::take_back_reading},
        Kind{instruction_set_pulse_value, &Instructions::set_pulse_value},
        Kind{instruction_acknowledge_alarm, &Instructions::acknowledge_alarm},
        Kind{instruction_unacknowledge_alarm, &Instructions::unacknowledge_alarm},
        Kind{instruction_shelve_alarm, &Instructions::shelve_alarm},
        Kind{instruction_unshelve_alarm, &Instructions::unshelve_alarm},
        Kind{instruction_set_away, &Instructions::set_away},
        Kind{instruction_import_history, &Instructions::import_history},
        Kind{instruction_undo_import, &Instructions::undo_import},
        Kind{instruction_tell_draw, &Instructions::tell_draw},
        Kind{instruction_forget_draw, &Instructions::forget_draw},
    };
    const auto document = nlohmann::json::parse(instruction.document, nullptr, false);
    if (!document.is_object()) return nullptr;
    Account* account = accounts_.find(text_in(document, "meter"));
    if (!account) return nullptr;
    for (const Kind& kind : kinds) {
        if (kind.name == text_in(document, "do")) (this->*kind.take)(*account, document, instruction.at);
    }
    return account;
}

namespace {

/// The kind of the alarm that an instruction names, and when that alarm was raised.
std::optional<std::pair<AlarmKind, Instant>> alarm_in(const nlohmann::json& document) {
    const auto kind = alarm_kind_named(text_in(document, "kind"));
    const auto raised_at = instant_in(document, "raised_at");
    if (!kind || !raised_at) return std::nullopt;
    return std::pair{*kind, *raised_at};
}

}  // namespace

void Instructions::read_register(Account& account, const nlohmann::json& document, Instant now) {
    const auto time = instant_in(document, "time");
    const auto register_ul = whole_in(document, "register_ul", volume_max_ul);
    const auto given_to_ul = whole_in(document, "given_to_ul", volume_max_ul);
    if (!time || !register_ul || !given_to_ul) return;
    follower_.read(account, {*time, *register_ul, *given_to_ul, flag_in(document, "start")}, now);
}

void Instructions::take_back_reading(Account& account, const nlohmann::json& document, Instant /*now*/) {
    if (const auto time = instant_in(document, "time")) follower_.take_back(account, *time);
}

void Instructions::set_pulse_value(Account& account, const nlohmann::json& document, Instant /*now*/) {
    const auto from = instant_in(document, "from");
    const auto numerator = whole_in(document, "numerator", std::numeric_limits<std::int64_t>::max());
    const auto denominator = whole_in(document, "denominator", std::numeric_limits<std::int64_t>::max());
    if (from && numerator && denominator) follower_.apply(account, {*from, *numerator, *denominator});
}

void Instructions::acknowledge_alarm(Account& account, const nlohmann::json& document, Instant now) {
    const auto meant = alarm_in(document);
    if (!meant) return;
    desk_.change(account, meant->first, meant->second,
                 [&](Alarm& alarm, bool) { return acknowledge(alarm, now); });
}

void Instructions::unacknowledge_alarm(Account& account, const nlohmann::json& document, Instant) {
    const auto meant = alarm_in(document);
    if (!meant) return;
    desk_.change(account, meant->first, meant->second,
                 [](Alarm& alarm, bool) { return unacknowledge(alarm); });
}

void Instructions::shelve_alarm(Account& account, const nlohmann::json& document, Instant now) {
    const auto meant = alarm_in(document);
    const auto for_s = whole_in(document, "for_s", shelved_max_s);
    if (!meant || !for_s || *for_s <= 0) return;
    // People read these times, so fractions of a second are rounded up.
    const Instant until = std::chrono::ceil<std::chrono::seconds>(now) + std::chrono::seconds{*for_s};
    // An older alarm cannot be shelved: if its condition returns, it does so as the newest of its kind.
    desk_.change(account, meant->first, meant->second,
                 [&](Alarm& alarm, bool is_newest) { return is_newest && shelve(alarm, until); });
}

void Instructions::unshelve_alarm(Account& account, const nlohmann::json& document, Instant) {
    const auto meant = alarm_in(document);
    if (!meant) return;
    desk_.change(account, meant->first, meant->second, [](Alarm& alarm, bool) { return unshelve(alarm); });
}

void Instructions::set_away(Account& account, const nlohmann::json& document, Instant now) {
    ToldAway told{.from = std::nullopt, .to = std::nullopt, .configured = account.settings.alarms.away};
    if (flag_in(document, "away")) {
        told.from = instant_in(document, "from");
        told.to = instant_in(document, "to");
        // Somebody who is away already and says so again has been away since the first time.
        const auto before = absence(account.memory().away, account.settings.alarms);
        const bool is_away = account.memory().away && before && before->from <= now && now < before->to;
        if (!told.from) told.from = is_away ? before->from : std::chrono::floor<std::chrono::seconds>(now);
    } else {
        desk_.clear(account, AlarmKind::away_use, now);
    }
    account.memory().away = told;
    account.is_changed = true;
}

void Instructions::import_history(Account& account, const nlohmann::json& document, Instant) {
    history_.book(account, text_in(document, "import"), points_in(document));
}

void Instructions::undo_import(Account& account, const nlohmann::json& document, Instant) {
    history_.undo(account, text_in(document, "import"));
}

void Instructions::tell_draw(Account& account, const nlohmann::json& document, Instant /*now*/) {
    keep_told_draw(ledger_, account.id, document);
}

void Instructions::forget_draw(Account& account, const nlohmann::json& document, Instant /*now*/) {
    forget_told_draw(ledger_, account.id, document);
}

}  // namespace tickledger
