// The accounts of all meters. They are found by the topic of a message, and opened when a topic first matches
// a pattern.
#pragma once

#include <boost/unordered/unordered_flat_map.hpp>
#include <boost/unordered/unordered_flat_set.hpp>
#include <functional>
#include <map>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <unordered_set>
#include <vector>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// The id of the meter that a topic feeds under these settings, with patterns resolved. Nothing if the topic
/// does not belong to this meter, or if the text that its + matched gives no valid id.
[[nodiscard]] std::optional<std::string> meter_id(const MeterSettings& settings, std::string_view topic);

/// Whether the settings are a pattern. A pattern is not a meter: its meters appear with their first messages.
[[nodiscard]] bool is_pattern(const MeterSettings& settings);

/// The settings of a meter by its id: its own, or those of its pattern; null if there are none.
[[nodiscard]] const MeterSettings* settings_for(const std::vector<MeterSettings>& meters,
                                                const std::string& id);

class Accounts {
public:
    Accounts(const std::vector<MeterSettings>& meters, std::size_t max_meters, const CivilZone& zone,
             Ledger& ledger)
        : meters_(&meters), max_meters_(max_meters), zone_(zone), ledger_(ledger) {}

    /// From the next load() on these settings hold. Until then there are no accounts. `meters` must outlive
    /// this, or the next call.
    void use(const std::vector<MeterSettings>& meters, std::size_t max_meters);

    /// Loads all meters that the ledger knows and the settings still name, and drops what was loaded before.
    /// Opens an account for each meter whose id is not a pattern. Throws StoreFailure.
    void load();

    /// The accounts that a topic feeds. Opens those that are new. The result is valid until the next call.
    /// Throws StoreFailure.
    std::span<Account* const> fed_by(const std::string& topic);

    /// The newest topic for which a pattern opened no account, because there are `max_meters` already. Empty:
    /// none since the settings were last loaded.
    [[nodiscard]] const std::string& turned_away() const { return turned_away_; }
    /// Whether that is why fed_by() found no account for this topic. Precondition: fed_by() was asked.
    [[nodiscard]] bool is_turned_away(const std::string& topic) const {
        return topics_turned_away_.contains(topic);
    }

    [[nodiscard]] Account* find(MeterKey key) const;
    [[nodiscard]] Account* find(const std::string& id) const;
    /// Visits the accounts in the order of their keys.
    void for_each(const std::function<void(Account&)>& visit) const;

    /// How many accounts stay awake between two batches.
    static constexpr std::size_t usually_awake_max = 500;
    void keep_awake(std::size_t awake_max) { awake_max_ = awake_max; }
    /// Puts accounts to sleep if too many are awake, first those without news to publish. Precondition: the
    /// batch is written, and nobody holds a reference into an account.
    void rest();

private:
    /// Finds accounts by their ids without a second copy of the ids.
    struct IdHash {
        using is_transparent = void;
        std::size_t operator()(std::string_view id) const { return std::hash<std::string_view>{}(id); }
        std::size_t operator()(const Account* account) const { return (*this)(account->id); }
    };
    struct SameId {
        using is_transparent = void;
        bool operator()(const Account* a, const Account* b) const { return a->id == b->id; }
        bool operator()(std::string_view id, const Account* account) const { return id == account->id; }
        bool operator()(const Account* account, std::string_view id) const { return id == account->id; }
    };
    void forget();
    MeterRules& rules_of(const MeterSettings& settings);
    Account* add(MeterKey key, const std::string& id, const MeterSettings& settings, std::string record);
    Account* open(const MeterSettings& settings, const std::string& id);

    const std::vector<MeterSettings>* meters_;
    std::size_t max_meters_;
    std::string turned_away_;
    const CivilZone& zone_;
    Ledger& ledger_;
    std::size_t awake_max_ = usually_awake_max;
    std::map<const MeterSettings*, std::unique_ptr<MeterRules>> rules_;
    std::vector<std::unique_ptr<Account>> accounts_;  ///< In order of their keys.
    std::unordered_set<Account*, IdHash, SameId> by_id_;
    /// A topic nearly always feeds one account. Null: it feeds none, or those in by_topic_of_several_.
    boost::unordered_flat_map<std::string, Account*> by_topic_;
    boost::unordered_flat_map<std::string, std::vector<Account*>> by_topic_of_several_;
    boost::unordered_flat_set<std::string> topics_turned_away_;
};

}  // namespace tickledger
