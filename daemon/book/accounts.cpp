#include "book/accounts.hpp"

#include <algorithm>

#include "book/store_failure.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

namespace {

constexpr std::string_view wildcard = "{1}";
constexpr std::size_t id_max_length = 64;
// At this many topics the look-up tables are cleared, so that topics of strangers do not fill the memory.
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
    // settings_for() must find the same meter by its id again, so a + that matched nothing names no meter.
    if (!part || part->empty()) return std::nullopt;
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
    by_topic_.clear();
    by_topic_of_several_.clear();
    topics_turned_away_.clear();
    by_id_.clear();
    accounts_.clear();
    rules_.clear();
    turned_away_.clear();
}

MeterRules& Accounts::rules_of(const MeterSettings& settings) {
    auto& rules = rules_[&settings];
    if (!rules) rules = std::make_unique<MeterRules>(settings, zone_);
    return *rules;
}

Account* Accounts::add(MeterKey key, const std::string& id, const MeterSettings& settings,
                       std::string record) {
    auto account = std::make_unique<Account>(key, id, rules_of(settings), std::move(record));
    Account* added = account.get();
    const auto place = std::ranges::upper_bound(accounts_, key, {}, &Account::key);
    accounts_.insert(place, std::move(account));
    by_id_.insert(added);
    return added;
}

void Accounts::load() {
    forget();
    auto records = value_or_throw(ledger_.meters());
    accounts_.reserve(records.size());
    by_id_.reserve(records.size());
    for (MeterRecord& record : records) {
        const MeterSettings* settings = settings_for(*meters_, record.id);
        if (!settings) continue;
        record.state.shrink_to_fit();
        Account* account = add(record.key, record.id, *settings, std::move(record.state));
        // Decodes the record now, so that a damaged one is reported at once.
        static_cast<void>(account->memory());
        if (accounts_.size() > awake_max_) account->sleep();
        for (Alarm& alarm : value_or_throw(ledger_.open_alarms(record.key)))
            account->open_alarms.insert_or_assign(alarm.kind, std::move(alarm));
    }
    for (const MeterSettings& settings : *meters_) {
        if (!is_pattern(settings) && !by_id_.contains(std::string_view(settings.id)))
            open(settings, settings.id);
    }
}

Account* Accounts::open(const MeterSettings& settings, const std::string& id) {
    if (Account* known = find(id)) return known;
    if (is_pattern(settings) && accounts_.size() >= max_meters_) return nullptr;
    return add(value_or_throw(ledger_.meter_key(id)), id, settings, {});
}

std::span<Account* const> Accounts::fed_by(const std::string& topic) {
    auto found = by_topic_.find(topic);
    if (found == by_topic_.end()) {
        if (by_topic_.size() >= topics_max) {
            by_topic_.clear();
            by_topic_of_several_.clear();
            topics_turned_away_.clear();
        }
        std::vector<Account*> fed;
        for (const MeterSettings& settings : *meters_) {
            if (const auto id = meter_id(settings, topic)) {
                if (Account* account = open(settings, *id)) {
                    fed.push_back(account);
                } else {
                    turned_away_ = topic;
                    topics_turned_away_.insert(topic);
                }
            }
        }
        found = by_topic_.emplace(topic, fed.size() == 1 ? fed.front() : nullptr).first;
        if (fed.size() > 1) by_topic_of_several_[topic] = std::move(fed);
    }
    if (found->second) return {&found->second, 1};
    const auto several = by_topic_of_several_.find(topic);
    return several == by_topic_of_several_.end() ? std::span<Account* const>() : several->second;
}

Account* Accounts::find(MeterKey key) const {
    const auto found = std::ranges::lower_bound(accounts_, key, {}, &Account::key);
    return found == accounts_.end() || (*found)->key != key ? nullptr : found->get();
}

Account* Accounts::find(const std::string& id) const {
    const auto found = by_id_.find(std::string_view(id));
    return found == by_id_.end() ? nullptr : *found;
}

void Accounts::for_each(const std::function<void(Account&)>& visit) const {
    for (const auto& account : accounts_)
        visit(*account);
}

void Accounts::rest() {
    const auto is_awake = [](const auto& account) { return account->is_awake(); };
    auto awake = static_cast<std::size_t>(std::ranges::count_if(accounts_, is_awake));
    for (const bool may_have_news : {false, true}) {
        for (const auto& account : accounts_) {
            if (awake <= awake_max_) break;
            if (!account->is_awake() || account->is_changed || (account->has_news && !may_have_news))
                continue;
            account->sleep();
            --awake;
        }
    }
}

}  // namespace tickledger
