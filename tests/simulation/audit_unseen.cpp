// Compares the ledger's bounds on unseen water with the water that ran unseen.
#include <algorithm>
#include <iterator>
#include <map>

#include "simulation/audit.hpp"
#include "simulation/world.hpp"

namespace tickledger::simulation {

namespace {

/// If the first message waited, at the node or at the broker, no arrival shows that its time was ahead.
bool clock_was_set_back(const Story& story, const Delivery& from, Instant from_logged_at,
                        const Delivery& to) {
    const auto error_at = [&](Instant at) {
        const auto wrong = std::find_if(
            story.clock_errors.begin(), story.clock_errors.end(),
            [&](const ClockError& error) { return at > error.during.from && at <= error.during.to; });
        return wrong == story.clock_errors.end() ? Duration{} : wrong->error;
    };
    const bool waited = from_logged_at - from.sent_at > error_at(from.sent_at);
    return waited && error_at(from.sent_at) > error_at(to.sent_at);
}

}  // namespace

/// Compares every entry with what ran between the two messages that bound it, whatever their times.
void Audit::check_unseen(std::uint32_t node, const MeterBooks& books) {
    const PlannedNode& planned = plan_.nodes[node];
    if (planned.certainty != Certainty::ordered || !planned.settings.tells_boot ||
        !planned.settings.tells_seq)
        return;
    std::map<std::pair<std::uint64_t, std::uint64_t>, const Sent*> by_mark;
    for (const auto* said : {&sent_, &unheard_}) {
        for (const Sent& sent : *said) {
            if (sent.node == node)
                by_mark[{fingerprint(std::to_string(sent.delivery.boot)), sent.delivery.seq}] = &sent;
        }
    }
    const Sent* before = nullptr;
    Instant newest = Instant::min();
    for (const Entry& entry : books.entries) {
        if (entry.kind == EntryKind::adjustment) continue;
        const auto found = by_mark.find({entry.end.boot, entry.end.seq});
        const Sent* after = found == by_mark.end() ? nullptr : found->second;
        if (!after) return fail_with(books.id, "no message ends this entry: " + words(entry));
        // Pulses of an earlier boot that arrive among those of a later one are out of order.
        const bool is_in_order = after->delivery.sent_at >= newest;
        if (before && is_in_order && before->delivery.sent_at == newest)
            check_span(entry, *before, *after, books);
        newest = std::max(newest, after->delivery.sent_at);
        before = after;
    }
}

const char* Audit::why_bound_is_loose(const Sent& from, const Sent& to) const {
    if (may_lose_time()) return "a false time of the server: the span itself is not known";
    if (clock_was_set_back(plan_.nodes[to.node].story, from.delivery, logged_at(from), to.delivery))
        return "a clock was set back while the previous message waited: its time was ahead";
    if (seems_sent_on_arrival(from))
        return "a queue without times: its first message came alone, as slowly as the node sends live";
    return nullptr;
}

/// The stamp of a message's first line in the log, or when it reached the broker if the log has none.
Instant Audit::logged_at(const Sent& sent) const {
    const Message& message = sent.delivery.message;
    for (const Event& event : logged(message.topic)) {
        const auto* line = std::get_if<Message>(&event);
        if (line && line->payload == message.payload) return line->arrived_at;
    }
    return message.arrived_at;
}

/// The message had waited at the node, but looks like one of a node that had fallen silent: it has no time,
/// and the first message of its queue arrived alone.
bool Audit::seems_sent_on_arrival(const Sent& message) const {
    const NodeSettings& node = plan_.nodes[message.node].settings;
    if (node.tells_time || (node.tells_uptime && node.message == MessageForm::counter)) return false;
    const auto heard = heard_of(message.node);
    const auto arrived = [](const Sent* sent) { return sent->delivery.message.arrived_at; };
    const auto found = std::find(heard.begin(), heard.end(), &message);
    if (found == heard.end() || arrived(*found) - message.delivery.sent_at <= node.cadence * 3 / 2)
        return false;
    auto first = found;
    while (first != heard.begin() && arrived(*first) - arrived(*std::prev(first)) <= node.cadence * 3 / 2)
        --first;
    const auto second = std::next(first);
    return second != heard.end() && arrived(*second) - arrived(*first) >= node.cadence / 2;
}

void Audit::check_span(const Entry& entry, const Sent& from, const Sent& to, const MeterBooks& books) {
    const NodeSettings& node = plan_.nodes[to.node].settings;
    const auto ran = static_cast<std::int64_t>(to.delivery.true_ticks - from.delivery.true_ticks);
    const bool was_set = to.presets_before != from.presets_before;
    const std::string what = std::to_string(ran) + " ticks ran between the messages of " + words(entry);
    const std::int64_t booked = entry.kind == EntryKind::lost ? 0 : entry.ticks;
    switch (entry.kind) {
        case EntryKind::measured:
            // A count that was set by hand may look like a gain.
            if (!was_set && booked != ran) fail_with(books.id, what);
            return;
        case EntryKind::restart:
            // If the node keeps every tick and sends `saved`, a fall before the boot is not seen.
            if (!was_set && booked > to.delivery.counted - from.delivery.counted &&
                !(node.tells_saved && node.checkpoint_ticks == 1))
                fail_with(books.id, what + ", but the node counted fewer than are booked");
            break;
        default:
            break;
    }
    if (entry.kind == EntryKind::restart || entry.kind == EntryKind::preset ||
        entry.kind == EntryKind::lost) {
        if (!entry.unseen_max) return fail_with(books.id, what + ": it has no `unseen_max`");
        const auto bound = static_cast<std::int64_t>(*entry.unseen_max);
        if (ran - booked <= bound) return;
        if (const char* why = why_bound_is_loose(from, to)) {
            ++report_.loose_bounds[why];
            loose_ticks_ += ran - booked;
            return;
        }
        fail_with(books.id, what + ": more than its `unseen_max` of " + std::to_string(bound));
    }
}

}  // namespace tickledger::simulation
