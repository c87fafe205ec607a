// The accounts of all meters: found by the topic of a message, opened when a pattern first speaks.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <unordered_map>
#include <unordered_set>
#include <vector>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// The id of the meter that a topic feeds under these settings: patterns resolved; nothing if the topic is
/// not this meter's, or what its + matched is no id.
[[nodiscard]] std::optional<std::string> meter_id(const MeterSettings& settings, std::string_view topic);

/// Its meters come into being with their first messages; it is none itself.
[[nodiscard]] bool is_pattern(const MeterSettings& settings);

/// The settings of a meter by its id: its own, or those of its pattern; null if there are none.
[[nodiscard]] const MeterSettings* settings_for(const std::vector<MeterSettings>& meters,
                                                const std::string& id);

class Accounts {
public:
    Accounts(const std::vector<MeterSettings>& meters, std::size_t max_meters, const CivilZone& zone,
             Ledger& ledger)
        : meters_(&meters), max_meters_(max_meters), zone_(zone), ledger_(ledger) {}

    /// From the next load() on these settings hold; until then there is no account.
    void use(const std::vector<MeterSettings>& meters, std::size_t max_meters);

    /// Reads all that the ledger knows and the settings still name. Forgets what was there before.
    /// Opens an account for each meter whose id is no pattern. Throws StoreFailure.
    void load();

    /// The accounts that a topic feeds; opens those that are new. They hold until the next call. Throws
    /// StoreFailure.
    std::span<Account* const> fed_by(const std::string& topic);

    /// The newest topic whose pattern would have opened one meter too many, since the settings were last
    /// taken up; empty: there was none.
    [[nodiscard]] const std::string& turned_away() const { return turned_away_; }

    [[nodiscard]] Account* find(MeterKey key) const;
    [[nodiscard]] Account* find(const std::string& id) const;
    /// In order of their keys.
    void for_each(const std::function<void(Account&)>& visit) const;

    /// So many accounts stay awake between two batches.
    static constexpr std::size_t usually_awake_max = 500;
    void keep_awake(std::size_t awake_max) { awake_max_ = awake_max; }
    /// Lets accounts sleep where too many are awake, those first that have no news to tell. The batch is
    /// written; nobody holds anything of an account.
    void rest();

private:
    /// Finds accounts by their ids without a second copy of these.
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
    /// A topic nearly always feeds one account; null: it feeds none, or those in by_topic_of_several_.
    std::unordered_map<std::string, Account*> by_topic_;
    std::unordered_map<std::string, std::vector<Account*>> by_topic_of_several_;
};

}  // namespace tickledger
