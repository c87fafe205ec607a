// GET /v1/health: the daemon's state for a person.
#include "serve/health.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "core/json_writer.hpp"
#include "serve/call.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

bool StoreHealth::is_short_of_space() const {
    // A backup on the same disk needs the ledger's size once more, and the logs need space too.
    constexpr std::uintmax_t spare_bytes = std::uintmax_t{8} * 1024 * 1024;
    return free_bytes && *free_bytes < spare_bytes + 2 * ledger_bytes;
}

namespace {

constexpr std::uintmax_t mebibyte_bytes = std::uintmax_t{1024} * 1024;

void add_store_troubles(std::vector<std::string>& troubles, const HealthFacts& facts, const CivilZone& zone) {
    if (!facts.store_error.empty())
        troubles.push_back(fmt::format("Booking has stopped: {}", facts.store_error));
    const StoreHealth& store = facts.store;
    if (!store.rescue.empty()) troubles.push_back(store.rescue);
    troubles.insert(troubles.end(), store.written_anew.begin(), store.written_anew.end());
    if (store.is_short_of_space()) {
        troubles.push_back(
            fmt::format("Only {} MiB are free on the store's disk, and the ledger has {} MiB. Free "
                        "some space before booking stops.",
                        *store.free_bytes / mebibyte_bytes, store.ledger_bytes / mebibyte_bytes));
    }
    if (!store.backup_trouble.empty()) {
        troubles.push_back(store.backup_trouble);
    } else if (store.is_backup_late && store.last_backup_at) {
        troubles.push_back(fmt::format("The newest backup is of {}.", in_words(*store.last_backup_at, zone)));
    }
    if (!facts.turned_away.empty()) {
        troubles.push_back(
            fmt::format("A message on {} would have opened one meter more than [site] max_meters = {}; it is "
                        "kept, but not "
                        "booked. Raise max_meters, or find out who sends there.",
                        facts.turned_away, facts.max_meters));
    }
}

/// A wrong topic and wrong fields look like a house without water, so they are reported first.
void add_message_troubles(std::vector<std::string>& troubles, const MeterHealth& meter,
                          const CivilZone& zone) {
    if (meter.unheard_for) {
        const Duration unheard = *meter.unheard_for;
        const auto passed = std::chrono::floor<std::chrono::minutes>(unheard);
        troubles.push_back(fmt::format(
            "No message for {} has arrived on {} in the {} since the daemon subscribed. Is the topic right, and is "
            "the node switched on? `tickledgerd listen` shows what the broker has.",
            meter.id, meter.topic, in_words(unheard < std::chrono::minutes{1} ? unheard : passed)));
    }
    if (meter.refused_count == 0 || !meter.refused_at) return;
    const std::string number =
        meter.refused_count == 1 ? "A message" : fmt::format("{} messages", meter.refused_count);
    if (meter.is_refused_unreadable) {
        troubles.push_back(fmt::format(
            "{} of {} in the last hour could not be read, the newest on {} at {}: {} Correct `fields` or `message` of "
            "this [[meter]], or fix the node.",
            number, meter.id, meter.refused_topic, in_words(*meter.refused_at, zone), meter.refused_text));
    } else {
        troubles.push_back(fmt::format(
            "{} of {} in the last hour did not fit the others, the newest on {} at {}: {} Do "
            "two nodes send to one topic?",
            number, meter.id, meter.refused_topic, in_words(*meter.refused_at, zone), meter.refused_text));
    }
}

}  // namespace

std::vector<std::string> troubles_of(const HealthFacts& facts, const CivilZone& zone) {
    std::vector<std::string> troubles;
    if (!facts.has_meters) {
        troubles.emplace_back(
            "No meter is configured, so no topic is subscribed to. Describe one in the configuration, "
            "beginning with [[meter]], and reload.");
    }
    if (!facts.broker_trouble.empty()) {
        troubles.push_back(facts.broker_trouble);
    } else if (!facts.broker_connected) {
        troubles.emplace_back("The broker is not connected.");
    } else if (!facts.broker_subscribed) {
        troubles.emplace_back("The broker is connected but has not granted every subscription yet.");
    }
    add_store_troubles(troubles, facts, zone);
    if (facts.stamps_held_at) {
        troubles.push_back(fmt::format(
            "The server's clock was ahead, so stamps continue from {} and advance a sixteenth slower until it has "
            "caught up. `tickledgerd redate` gives the messages that were stamped ahead their true dates.",
            in_words(*facts.stamps_held_at, zone)));
    }
    if (facts.clock_ahead > Duration{0}) {
        troubles.push_back(fmt::format(
            "The server's clock has jumped ahead by {}, and no time service confirms it. The jump is ignored. If the "
            "clock is right now, confirm it with `tickledger clock --right`; otherwise set it.",
            in_words(facts.clock_ahead)));
    }
    if (!facts.is_time_known || facts.messages_undated > 0) {
        troubles.push_back(fmt::format(
            "The time is not known. {} messages wait in the log until it is. If the server's clock is right, confirm "
            "it with `tickledger clock --right`; otherwise set it.",
            facts.messages_undated));
    }
    if (facts.unmatched_at) {
        troubles.push_back(fmt::format(
            "A message on {} belongs to no meter, last at {}, so it was not booked. The topic level in place of "
            "{{1}} becomes part of the meter's id, so it may contain only small letters, digits and hyphens. "
            "Rename the topic, or give it a [[meter]] of its own.",
            facts.unmatched_topic, in_words(*facts.unmatched_at, zone)));
    }
    for (const MeterHealth& meter : facts.meters) {
        add_message_troubles(troubles, meter, zone);
        if (meter.silent_since) {
            troubles.push_back(fmt::format("The node of {} has been silent since {}.", meter.id,
                                           in_words(*meter.silent_since, zone)));
        }
        if (meter.clock_disbelieved_at) {
            troubles.push_back(fmt::format(
                "The clock of {}'s node was not believed, last at {}. The times of arrival are used instead. Set "
                "the node's clock.",
                meter.id, in_words(*meter.clock_disbelieved_at, zone)));
        }
        if (meter.longer_cadence) {
            troubles.push_back(fmt::format(
                "The node of {0} sends about every {1}, but its `cadence` is {2}. Write cadence = \"{1}\" in "
                "its [[meter]] and reload. Until then the daemon expects messages that the node never sends.",
                meter.id, format_duration(*meter.longer_cadence), format_duration(meter.cadence)));
        }
    }
    return troubles;
}

namespace {

std::optional<std::string> time_text(const std::optional<Instant>& t, const CivilZone& zone) {
    return t ? std::optional(zone.format(*t)) : std::nullopt;
}

/// Whether a person's word that the clock is right would change something.
bool is_clock_doubted(const HealthFacts& facts) {
    return !facts.is_time_known || facts.messages_undated > 0 || facts.clock_ahead > Duration{0};
}

/// The number of publications that wait for the broker; nothing if the ledger cannot be read. Then the rest
/// of the answer is still given.
std::optional<std::int64_t> waiting(const Call& call) {
    const auto view = call.snapshots.take();
    if (!view) return std::nullopt;
    const auto size = (*view)->outbox_size();
    return size ? std::optional(*size) : std::nullopt;
}

std::string broker(const HealthFacts& facts, std::optional<std::int64_t> waiting) {
    JsonObject object;
    object.flag("connected", facts.broker_connected);
    object.flag("subscribed", facts.broker_subscribed);
    object.optional_text("trouble",
                         facts.broker_trouble.empty() ? std::nullopt : std::optional(facts.broker_trouble));
    object.raw("waiting", waiting ? std::to_string(*waiting) : "null");
    return std::move(object).finish();
}

std::string store(const HealthFacts& facts, const CivilZone& zone) {
    const StoreHealth& files = facts.store;
    JsonObject object;
    object.optional_text("error",
                         facts.store_error.empty() ? std::nullopt : std::optional(facts.store_error));
    object.raw("ledger_bytes", std::to_string(files.ledger_bytes));
    object.raw("messages_bytes", std::to_string(files.messages_bytes));
    object.raw("free_bytes", files.free_bytes ? std::to_string(*files.free_bytes) : "null");
    object.optional_text("last_backup_at", time_text(files.last_backup_at, zone));
    object.raw("last_backup_bytes", files.last_backup_at ? std::to_string(files.last_backup_bytes) : "null");
    object.raw("backups", std::to_string(files.backup_count));
    return std::move(object).finish();
}

std::string messages(const HealthFacts& facts) {
    JsonObject object;
    object.raw("accepted", std::to_string(facts.messages_accepted));
    object.raw("booked", std::to_string(facts.messages_booked));
    object.raw("unreadable", std::to_string(facts.messages_unreadable));
    object.raw("stray", std::to_string(facts.messages_stray));
    return std::move(object).finish();
}

std::string meters(const HealthFacts& facts, const CivilZone& zone) {
    JsonArray list;
    for (const MeterHealth& meter : facts.meters) {
        JsonObject object;
        object.text("id", meter.id);
        object.optional_text("last_message_at", time_text(meter.last_message_at, zone));
        object.optional_text("silent_since", time_text(meter.silent_since, zone));
        object.optional_text("clock_disbelieved_at", time_text(meter.clock_disbelieved_at, zone));
        list.add(std::move(object).finish());
    }
    return std::move(list).finish();
}

}  // namespace

Response get_health(const Call& call) {
    const HealthFacts facts = call.parts.health();
    const CivilZone& zone = call.parts.zone;
    const auto troubles = troubles_of(facts, zone);
    JsonArray sentences;
    for (const std::string& trouble : troubles)
        sentences.add(json_string(trouble));

    JsonObject document;
    document.text("state", troubles.empty() ? "up" : "degraded");
    document.text("version", facts.version);
    document.text("time", zone.format(call.parts.now()));
    document.text("timezone", zone.name());
    document.flag("clock_doubted", is_clock_doubted(facts));
    document.flag("read_only", call.parts.is_read_only);
    document.raw("troubles", std::move(sentences).finish());
    auto waits = waiting(call);
    if (waits) *waits = std::max<std::int64_t>(0, *waits - facts.publications_arrived);
    document.raw("broker", broker(facts, waits));
    document.raw("store", store(facts, zone));
    document.raw("messages", messages(facts));
    document.raw("meters", meters(facts, zone));
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
