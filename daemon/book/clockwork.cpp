// What time brings when no message does: intervals close, nights are judged, silence is noticed, a shelving
// ends.
//
// Deadlines are met at their own moment, before any event that is later, so that it makes no difference when,
// or how often, the clock was looked at.

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "book/bookkeeper.hpp"
#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr const char* counts_fact = "messages";
constexpr const char* link_fact = "link";
constexpr const char* settled_fact = "settled_until";
constexpr const char* fine_detail_fact = "fine_detail_from";

std::optional<Instant> earlier(std::optional<Instant> a, std::optional<Instant> b) {
    if (!a || !b) return a ? a : b;
    return std::min(*a, *b);
}

}  // namespace

std::optional<Instant> Bookkeeper::silence_deadline(const Account& account) const {
    if (!link_.up || !link_.since || !account.settings.alarms.is_on(AlarmKind::node_silent))
        return std::nullopt;
    if (AlarmDesk::is_active(account, AlarmKind::node_silent)) return std::nullopt;
    // While the link was down nobody could be heard; each node gets its time again once it is up.
    const Instant quiet_since = std::max(*link_.since, account.memory.heard_at.value_or(*link_.since));
    return quiet_since + account.settings.alarms.silent_after;
}

std::optional<Instant> Bookkeeper::closing_deadline(Account& account) const {
    if (!account.memory.closed_until) return std::nullopt;
    return account.rows.row_at(Step::interval, *account.memory.closed_until).to +
           account.settings.alarms.silent_after;
}

std::optional<Instant> Bookkeeper::next_deadline(Account& account) const {
    return earlier(earlier(closing_deadline(account), AlarmDesk::deadline(account)),
                   earlier(NightWatch::deadline(account), silence_deadline(account)));
}

void Bookkeeper::schedule(Account& account) {
    const auto deadline = next_deadline(account);
    if (!deadline) return;
    // Deadlines mostly move on: a place in the schedule that is too early is corrected when it comes up.
    if (account.scheduled_at && *account.scheduled_at <= *deadline) return;
    if (account.scheduled_at) schedule_.erase({*account.scheduled_at, account.key});
    account.scheduled_at = deadline;
    schedule_.emplace(*deadline, account.key);
}

void Bookkeeper::run_clock(Instant until) {
    while (!schedule_.empty() && schedule_.begin()->first <= until) {
        const auto [moment, key] = *schedule_.begin();
        schedule_.erase(schedule_.begin());
        Account& account = *accounts_.find(key);
        account.scheduled_at.reset();
        if (next_deadline(account) == moment) meet_deadline(account, moment);
        schedule(account);
    }
    settled_until_ = std::max(until, settled_until_.value_or(until));
}

void Bookkeeper::meet_deadline(Account& account, Instant deadline) {
    account.is_changed = true;
    if (closing_deadline(account) == deadline) {
        close_until(account, account.rows.row_at(Step::interval, *account.memory.closed_until).to, true);
    }
    if (NightWatch::deadline(account) == deadline) night_watch_.judge(account);
    if (silence_deadline(account) == deadline) tell_silence(account, deadline);
    // The last: what is raised at this very moment is told as what it has become.
    desk_.end_shelvings(account, deadline);
}

void Bookkeeper::tell_silence(Account& account, Instant now) {
    const auto& heard_at = account.memory.heard_at;
    const Duration silent_after = account.settings.alarms.silent_after;
    EvidenceBuilder evidence(zone_);
    if (heard_at) {
        evidence.at("last_heard_at", *heard_at);
    } else {
        evidence.not_known("last_heard_at");
    }
    evidence.whole("silent_after_s", std::chrono::floor<std::chrono::seconds>(silent_after).count());
    desk_.raise(
        account, AlarmKind::node_silent, now,
        std::move(evidence).saying(fmt::format(
            "Nothing was heard from the node of {} {}. Its battery may be empty, or it does not reach the "
            "network. Until it speaks again nobody watches this meter. This is over once it has spoken for "
            "{} "
            "without such a gap.",
            account.id, heard_at ? "since " + zone_.format(*heard_at) : "ever",
            format_duration(silent_after))));
}

/// A node that speaks too seldom is one alarm: it is over when no gap has been long for a while.
void Bookkeeper::heard(Account& account, Instant at) {
    AccountMemory& memory = account.memory;
    const Duration silent_after = account.settings.alarms.silent_after;
    const bool after_silence = !memory.heard_at || at - *memory.heard_at >= silent_after;
    memory.heard_at = std::max(at, memory.heard_at.value_or(at));
    if (AlarmDesk::is_active(account, AlarmKind::node_silent)) {
        if (after_silence || !memory.heard_since) memory.heard_since = at;
        if (at - *memory.heard_since >= silent_after) desk_.clear(account, AlarmKind::node_silent, at);
    } else {
        memory.heard_since.reset();
    }
    if (!link_.since) take_link({.at = at, .up = true, .session_present = false});
}

void Bookkeeper::take_link(const LinkChange& change) {
    link_ = {change.up, change.at};
    if (change.up) accounts_.for_each([&](Account& account) { schedule(account); });
}

void Bookkeeper::write_facts() {
    nlohmann::ordered_json counts;
    counts["booked"] = counts_.booked;
    counts["unreadable"] = counts_.unreadable;
    counts["stray"] = counts_.stray;
    counts["late_refused"] = counts_.late_refused;
    counts["without_meter"] = counts_.without_meter;
    value_or_throw(ledger_.set_fact(counts_fact, counts.dump()));
    nlohmann::ordered_json link;
    link["up"] = link_.up;
    if (link_.since) link["since"] = microseconds_of(*link_.since);
    value_or_throw(ledger_.set_fact(link_fact, link.dump()));
    if (settled_until_)
        value_or_throw(ledger_.set_fact(settled_fact, std::to_string(microseconds_of(*settled_until_))));
}

/// Days are removed whole, by UTC.
void Bookkeeper::keep_fine_detail_from(Instant before) {
    fine_detail_from_ = std::chrono::floor<std::chrono::days>(before);
    value_or_throw(ledger_.set_fact(fine_detail_fact, std::to_string(microseconds_of(*fine_detail_from_))));
}

void Bookkeeper::load_all() {
    rows_.forget();
    outbox_.forget();
    schedule_.clear();
    counts_ = {};
    link_ = {};
    settled_until_.reset();
    fine_detail_from_.reset();
    if (const auto text = value_or_throw(ledger_.fact(counts_fact))) {
        const auto counts = nlohmann::json::parse(*text, nullptr, false);
        if (counts.is_object()) {
            counts_.booked = counts.value("booked", std::uint64_t{0});
            counts_.unreadable = counts.value("unreadable", std::uint64_t{0});
            counts_.stray = counts.value("stray", std::uint64_t{0});
            counts_.late_refused = counts.value("late_refused", std::uint64_t{0});
            counts_.without_meter = counts.value("without_meter", std::uint64_t{0});
        }
    }
    if (const auto text = value_or_throw(ledger_.fact(link_fact))) {
        const auto link = nlohmann::json::parse(*text, nullptr, false);
        if (link.is_object()) {
            link_.up = link.value("up", true);
            if (link.contains("since")) link_.since = instant_of(link.value("since", std::int64_t{0}));
        }
    }
    if (const auto text = value_or_throw(ledger_.fact(settled_fact)))
        settled_until_ = instant_of(std::stoll(*text));
    if (const auto text = value_or_throw(ledger_.fact(fine_detail_fact)))
        fine_detail_from_ = instant_of(std::stoll(*text));
    accounts_.load();
    accounts_.for_each([&](Account& account) { schedule(account); });
}

}  // namespace tickledger
