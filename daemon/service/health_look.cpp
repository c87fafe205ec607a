#include "service/health_look.hpp"

#include <system_error>

#include "book/summary.hpp"
#include "engine/opened_store.hpp"
#include "store/rescue.hpp"
#include "tickledger/cadence.hpp"

namespace tickledger {

namespace fs = std::filesystem;

StoreHealth look_at_store(const StoreSettings& settings, const HouseState& house, Instant now) {
    const fs::path ledger = settings.directory / ledger_name;
    std::error_code ignored;
    const auto size_bytes = [&](const fs::path& file) {
        const auto bytes = fs::file_size(file, ignored);
        return ignored ? std::uintmax_t{0} : bytes;
    };
    StoreHealth store;
    store.ledger_bytes = size_bytes(ledger) + size_bytes(ledger.string() + "-wal");
    for (const auto& file : fs::directory_iterator(settings.directory / messages_name, ignored))
        store.messages_bytes += size_bytes(file.path());
    if (const auto space = fs::space(settings.directory, ignored); !ignored)
        store.free_bytes = space.available;
    if (house.last_backup) {
        store.last_backup_at = house.last_backup->made_at;
        store.last_backup_bytes = house.last_backup->size_bytes;
        store.is_backup_late =
            settings.keep_backups > 0 && now - house.last_backup->made_at > 2 * settings.backup_every;
    }
    store.backup_count = house.backup_count;
    store.backup_trouble = house.trouble;
    store.rescue = last_rescue(ledger).value_or("");
    return store;
}

std::vector<MeterHealth> MetersLook::look(
    const std::function<const MeterSettings*(const std::string& id)>& settings_of, Instant now,
    Duration listened) {
    if (!view_ || !view_->is_in_place()) {
        auto view = LedgerView::open(ledger_, is_in_place_);
        if (!view) return {};
        view_ = std::move(*view);
    }
    const auto records = view_->meters();
    if (!records) return {};
    std::vector<MeterHealth> meters;
    for (const MeterRecord& record : *records) {
        const MeterSettings* settings = settings_of(record.id);
        if (!settings) continue;
        const Heard* heard = heard_of(record, *settings);
        if (!heard) continue;
        const auto heard_at = heard->last_message_at;
        MeterHealth& meter = meters.emplace_back();
        meter.id = record.id;
        meter.topic = settings->topic;
        meter.last_message_at = heard_at;
        meter.clock_disbelieved_at = heard->clock_disbelieved_at;
        meter.cadence = settings->cadence;
        meter.longer_cadence = heard->longer_cadence;
        add_refused(meter, record.key, now);
        if (!heard_at && listened > 2 * settings->cadence) meter.unheard_for = listened;
        if (!heard_at || now - *heard_at > settings->alarms.silent_after) meter.silent_since = heard_at;
    }
    return meters;
}

std::vector<Duration> MetersLook::pauses(MeterKey key, Instant last) {
    constexpr std::size_t enough = 12;
    std::vector<Duration> found;
    for (const Duration back : {std::chrono::hours{24}, std::chrono::hours{24 * 14}}) {
        found.clear();
        const auto read = view_->entries(key, {last - back, last}, [&](const Entry& entry) {
            // A placed entry has the configured cadence for its length.
            if (entry.kind == EntryKind::measured && !entry.time_estimated)
                found.push_back(entry.span.length());
            return true;
        });
        if (!read) return {};
        if (found.size() >= enough) break;
    }
    return found;
}

void MetersLook::add_refused(MeterHealth& meter, MeterKey key, Instant now) {
    const auto refused = view_->refused(key, {now - std::chrono::hours{1}, now});
    if (!refused) return;
    for (const Refused& one : *refused) {
        if (one.reason != Refusal::unreadable && one.reason != Refusal::stray) continue;
        ++meter.refused_count;
        if (meter.refused_at && *meter.refused_at > one.at) continue;
        meter.refused_at = one.at;
        meter.refused_topic = one.topic;
        meter.refused_text = one.text;
        meter.is_refused_unreadable = one.reason == Refusal::unreadable;
    }
}

const MetersLook::Heard* MetersLook::heard_of(const MeterRecord& record, const MeterSettings& settings) {
    auto [found, is_new] = heard_.try_emplace(record.key);
    Heard& heard = found->second;
    const std::size_t fingerprint = std::hash<std::string>{}(record.state);
    if (!is_new && heard.fingerprint == fingerprint && heard.cadence == settings.cadence) return &heard;
    const auto summary = summarise(record, settings, zone_);
    if (!summary) {
        heard_.erase(found);
        return nullptr;
    }
    heard = {fingerprint, settings.cadence, summary->heard_at,
             summary->clock_disbelieved ? summary->last_reading_at : std::nullopt, std::nullopt};
    // Only the readings of a meter whose newest pause is a silence are looked at, so that the others cost
    // nothing.
    const auto& last = summary->last_span;
    if (last && last->length() > silence(settings.cadence))
        heard.longer_cadence = longer_cadence(pauses(record.key, last->to), settings.cadence);
    return &heard;
}

}  // namespace tickledger
