#include "book/undecided_nights.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/night_times.hpp"
#include "book/store_failure.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

constexpr AlarmKind kind = AlarmKind::night_flow;

}  // namespace

void UndecidedNights::mark(const Account& account, Span nights) {
    const AlarmSettings& alarms = account.settings.alarms;
    // Rows that end with the night before, or begin with the night after, are joined.
    const Span reach{night_before(zone_, alarms, nights.from).to, night_after(zone_, alarms, nights.to).from};
    Span joined = nights;
    for (const Span& row : value_or_throw(ledger_.undecided(account.key, kind, reach))) {
        joined = {std::min(joined.from, row.from), std::max(joined.to, row.to)};
        value_or_throw(ledger_.remove_undecided(account.key, kind, row.from));
    }
    put(account, joined);
}

void UndecidedNights::settle(const Account& account, Span nights) {
    const AlarmSettings& alarms = account.settings.alarms;
    for (const Span& row : value_or_throw(ledger_.undecided(account.key, kind, nights))) {
        if (row.to <= nights.from || row.from >= nights.to) continue;
        value_or_throw(ledger_.remove_undecided(account.key, kind, row.from));
        put(account, {row.from, night_before(zone_, alarms, nights.from).to});
        put(account, {night_after(zone_, alarms, nights.to).from, row.to});
    }
}

void UndecidedNights::put(const Account& account, Span row) {
    if (row.length() <= Duration{0}) return;
    const AlarmSettings& alarms = account.settings.alarms;
    const bool is_one_night = night_after(zone_, alarms, row.from).to >= row.to;
    const std::string text = fmt::format(
        "It is not known whether water ran all night at {} {}{}. In gaps between the messages it may have "
        "stood still for {}.",
        account.id, is_one_night ? "" : "on the nights ", in_words(row, zone_), in_words(alarms.still_for));
    value_or_throw(ledger_.add_undecided(account.key, kind, row, text));
}

}  // namespace tickledger
