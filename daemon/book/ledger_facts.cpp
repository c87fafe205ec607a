#include "book/ledger_facts.hpp"

#include <nlohmann/json.hpp>
#include <string>

#include "book/store_failure.hpp"

namespace tickledger {

namespace {

constexpr const char* counts_fact = "messages";
constexpr const char* link_fact = "link";
constexpr const char* settled_fact = "settled_until";
constexpr const char* now_waits_fact = "now_waits";
constexpr const char* fine_detail_fact = "fine_detail_from";

std::optional<Instant> instant_fact(Ledger& ledger, const char* name) {
    const auto text = value_or_throw(ledger.fact(name));
    return text ? std::optional(instant_of(std::stoll(*text))) : std::nullopt;
}

void store_instant(Ledger& ledger, const char* name, Instant at) {
    value_or_throw(ledger.set_fact(name, std::to_string(microseconds_of(at))));
}

/// An empty object if the fact is missing or damaged. Counts and the state of the link are no reason to stop.
nlohmann::json object_fact(Ledger& ledger, const char* name) {
    const auto text = value_or_throw(ledger.fact(name));
    auto object = text ? nlohmann::json::parse(*text, nullptr, false) : nlohmann::json::object();
    return object.is_object() ? object : nlohmann::json::object();
}

}  // namespace

LedgerFacts load_facts(Ledger& ledger) {
    LedgerFacts facts;
    const nlohmann::json counts = object_fact(ledger, counts_fact);
    facts.counts.booked = counts.value("booked", std::uint64_t{0});
    facts.counts.unreadable = counts.value("unreadable", std::uint64_t{0});
    facts.counts.stray = counts.value("stray", std::uint64_t{0});
    facts.counts.late_refused = counts.value("late_refused", std::uint64_t{0});
    facts.counts.without_meter = counts.value("without_meter", std::uint64_t{0});
    const nlohmann::json link = object_fact(ledger, link_fact);
    facts.link.up = link.value("up", true);
    if (link.contains("since")) facts.link.since = instant_of(link.value("since", std::int64_t{0}));
    facts.settled_until = instant_fact(ledger, settled_fact);
    facts.now_waits = value_or_throw(ledger.fact(now_waits_fact)) == "1";
    facts.fine_detail_from = instant_fact(ledger, fine_detail_fact);
    return facts;
}

void store_facts(Ledger& ledger, const LedgerFacts& facts) {
    nlohmann::ordered_json counts;
    counts["booked"] = facts.counts.booked;
    counts["unreadable"] = facts.counts.unreadable;
    counts["stray"] = facts.counts.stray;
    counts["late_refused"] = facts.counts.late_refused;
    counts["without_meter"] = facts.counts.without_meter;
    value_or_throw(ledger.set_fact(counts_fact, counts.dump()));
    nlohmann::ordered_json link;
    link["up"] = facts.link.up;
    if (facts.link.since) link["since"] = microseconds_of(*facts.link.since);
    value_or_throw(ledger.set_fact(link_fact, link.dump()));
    if (facts.settled_until) store_instant(ledger, settled_fact, *facts.settled_until);
}

void store_now_waits(Ledger& ledger, bool waits) {
    value_or_throw(ledger.set_fact(now_waits_fact, waits ? "1" : "0"));
}

void store_fine_detail_from(Ledger& ledger, Instant from) {
    store_instant(ledger, fine_detail_fact, from);
}

}  // namespace tickledger
