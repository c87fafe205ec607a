// The accounts of all meters: found by the topic of a message, opened when a pattern first speaks.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <string>
#include <unordered_map>
#include <vector>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// The id of the meter that a topic feeds under these settings: patterns resolved; nothing if the topic is
/// not this meter's, or what its + matched is no id.
[[nodiscard]] std::optional<std::string> meter_id(const MeterSettings& settings, std::string_view topic);

/// The settings of a meter by its id, patterns resolved (`id` filled in); nothing if none has it.
[[nodiscard]] std::optional<MeterSettings> settings_for(const std::vector<MeterSettings>& meters,
                                                        const std::string& id);

class Accounts {
public:
    /// More accounts than this are not opened: somebody floods a pattern's topics.
    static constexpr std::size_t accounts_max = 50'000;

    Accounts(const std::vector<MeterSettings>& meters, const CivilZone& zone, Ledger& ledger)
        : meters_(meters), zone_(zone), ledger_(ledger) {}

    /// Reads all that the ledger knows and the settings still name. Forgets what was there before.
    /// Opens an account for each meter whose id is no pattern. Throws StoreFailure.
    void load();

    /// The accounts that a topic feeds; opens those that are new. Throws StoreFailure.
    const std::vector<Account*>& fed_by(const std::string& topic);

    [[nodiscard]] Account* find(MeterKey key) const;
    [[nodiscard]] Account* find(const std::string& id) const;
    /// In order of their keys.
    void for_each(const std::function<void(Account&)>& visit) const;

private:
    Account* open(const MeterSettings& settings, const std::string& id);

    const std::vector<MeterSettings>& meters_;
    const CivilZone& zone_;
    Ledger& ledger_;
    std::map<MeterKey, std::unique_ptr<Account>> accounts_;
    std::unordered_map<std::string, Account*> by_id_;
    std::unordered_map<std::string, std::vector<Account*>> by_topic_;
};

}  // namespace tickledger
