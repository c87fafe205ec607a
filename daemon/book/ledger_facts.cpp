#include "book/ledger_facts.hpp"

#include <charconv>
#include <nlohmann/json.hpp>
#include <string>
#include <type_traits>

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
    if (!text) return std::nullopt;
    std::int64_t at_us = 0;
    const char* end = text->data() + text->size();
    if (const auto read = std::from_chars(text->data(), end, at_us);
        read.ec != std::errc{} || read.ptr != end)
        throw StoreFailure({"The ledger's fact `" + std::string(name) + "` is damaged: it is \"" + *text +
                            "\" and not a time in microseconds."});
    return instant_of(at_us);
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

/// The member, or `otherwise` if it is missing or of another type.
template <typename T>
T member_of(const nlohmann::json& object, const char* name, T otherwise) {
    const auto found = object.find(name);
    if (found == object.end()) return otherwise;
    if constexpr (std::is_same_v<T, bool>) {
        return found->is_boolean() ? found->template get<T>() : otherwise;
    } else {
        return found->is_number_integer() ? found->template get<T>() : otherwise;
    }
}

}  // namespace

LedgerFacts load_facts(Ledger& ledger) {
    LedgerFacts facts;
    const nlohmann::json counts = object_fact(ledger, counts_fact);
    facts.counts.booked = member_of<std::uint64_t>(counts, "booked", 0);
    facts.counts.unreadable = member_of<std::uint64_t>(counts, "unreadable", 0);
    facts.counts.stray = member_of<std::uint64_t>(counts, "stray", 0);
    facts.counts.late_refused = member_of<std::uint64_t>(counts, "late_refused", 0);
    facts.counts.without_meter = member_of<std::uint64_t>(counts, "without_meter", 0);
    const nlohmann::json link = object_fact(ledger, link_fact);
    facts.link.up = member_of(link, "up", true);
    if (link.contains("since")) facts.link.since = instant_of(member_of<std::int64_t>(link, "since", 0));
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
