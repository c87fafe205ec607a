#include "book/accounts.hpp"

#include <algorithm>

#include "book/store_failure.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

namespace {

constexpr std::string_view wildcard = "{1}";
constexpr std::size_t id_max_length = 64;
// Topics of strangers are looked up anew each time rather than remembered without end.
constexpr std::size_t topics_max = 20'000;

bool is_id(std::string_view text) {
    const auto allowed = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'; };
    return !text.empty() && text.size() <= id_max_length && std::all_of(text.begin(), text.end(), allowed);
}

}  // namespace

bool is_pattern(const MeterSettings& settings) {
    return settings.id.find(wildcard) != std::string::npos;
}

std::optional<std::string> meter_id(const MeterSettings& settings, std::string_view topic) {
    if (!topic_matches(settings.topic, topic)) return std::nullopt;
    if (!is_pattern(settings)) return settings.id;
    const auto part = first_wildcard(settings.topic, topic);
    if (!part) return std::nullopt;
    std::string id = settings.id;
    id.replace(id.find(wildcard), wildcard.size(), *part);
    return is_id(id) ? std::optional(id) : std::nullopt;
}

const MeterSettings* settings_for(const std::vector<MeterSettings>& meters, const std::string& id) {
    for (const MeterSettings& settings : meters) {
        if (!is_pattern(settings)) {
            if (settings.id == id) return &settings;
            continue;
        }
        const std::size_t at = settings.id.find(wildcard);
        const std::string_view before = std::string_view(settings.id).substr(0, at);
        const std::string_view after = std::string_view(settings.id).substr(at + wildcard.size());
        if (id.size() > before.size() + after.size() && id.starts_with(before) && id.ends_with(after) &&
            is_id(id))
            return &settings;
    }
    return nullptr;
}

void Accounts::use(const std::vector<MeterSettings>& meters, std::size_t max_meters) {
    forget();
    meters_ = &meters;
    max_meters_ = max_meters;
}

void Accounts::forget() {
    accounts_.clear();
    by_id_.clear();
    by_topic_.clear();
    turned_away_.clear();
}

void Accounts::load() {
    forget();
    for (const MeterRecord& record : value_or_throw(ledger_.meters())) {
        const MeterSettings* settings = settings_for(*meters_, record.id);
        if (!settings) continue;
        auto account = std::make_unique<Account>(record.key, record.id, *settings, zone_);
        if (!record.state.empty()) account->memory = value_or_throw(memory_from_record(record.state));
        for (Alarm& alarm : value_or_throw(ledger_.open_alarms(record.key)))
            account->open_alarms.insert_or_assign(alarm.kind, std::move(alarm));
        by_id_[record.id] = account.get();
        accounts_[record.key] = std::move(account);
    }
    for (const MeterSettings& settings : *meters_) {
        if (!is_pattern(settings) && !by_id_.contains(settings.id)) open(settings, settings.id);
    }
}

Account* Accounts::open(const MeterSettings& settings, const std::string& id) {
    if (const auto found = by_id_.find(id); found != by_id_.end()) return found->second;
    if (is_pattern(settings) && accounts_.size() >= max_meters_) return nullptr;
    const MeterKey key = value_or_throw(ledger_.meter_key(id));
    auto account = std::make_unique<Account>(key, id, settings, zone_);
    Account* opened = account.get();
    by_id_[id] = opened;
    accounts_[key] = std::move(account);
    return opened;
}

const std::vector<Account*>& Accounts::fed_by(const std::string& topic) {
    if (const auto found = by_topic_.find(topic); found != by_topic_.end()) return found->second;
    std::vector<Account*> fed;
    for (const MeterSettings& settings : *meters_) {
        if (const auto id = meter_id(settings, topic)) {
            if (Account* account = open(settings, *id)) {
                fed.push_back(account);
            } else {
                turned_away_ = topic;
            }
        }
    }
    if (by_topic_.size() >= topics_max) by_topic_.clear();
    return by_topic_.emplace(topic, std::move(fed)).first->second;
}

Account* Accounts::find(MeterKey key) const {
    const auto found = accounts_.find(key);
    return found == accounts_.end() ? nullptr : found->second.get();
}

Account* Accounts::find(const std::string& id) const {
    const auto found = by_id_.find(id);
    return found == by_id_.end() ? nullptr : found->second;
}

void Accounts::for_each(const std::function<void(Account&)>& visit) const {
    for (const auto& [key, account] : accounts_)
        visit(*account);
}

}  // namespace tickledger
