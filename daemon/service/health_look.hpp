// Collects the state of the store and of the meters for `health`, when somebody asks.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <unordered_map>
#include <vector>

#include "configuration/configuration.hpp"
#include "serve/health.hpp"
#include "service/housekeeper.hpp"
#include "store/ledger_view.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// The state of the store's files at `now`.
[[nodiscard]] StoreHealth look_at_store(const StoreSettings& settings, const HouseState& house, Instant now);

/// The state of the meters. Health is asked for every few seconds while somebody watches, so a record that
/// has not changed is not read again. Thread: one.
class MetersLook {
public:
    /// `is_in_place` as for LedgerView::open.
    MetersLook(std::filesystem::path ledger, std::function<bool()> is_in_place, CivilZone zone)
        : ledger_(std::move(ledger)), is_in_place_(std::move(is_in_place)), zone_(std::move(zone)) {}

    /// The meters of the ledger that `settings_of` knows; empty if the ledger cannot be read. `listened`: how
    /// long every subscription has been granted; 0 if one is not.
    [[nodiscard]] std::vector<MeterHealth> look(
        const std::function<const MeterSettings*(const std::string& id)>& settings_of, Instant now,
        Duration listened);

private:
    /// The times between the newest readings up to `last`: of a day, or of two weeks if the day has few.
    [[nodiscard]] std::vector<Duration> pauses(MeterKey key, Instant last);
    /// Adds the messages refused in the last hour.
    void add_refused(MeterHealth& meter, MeterKey key, Instant now);
    /// The facts read from a meter's record.
    struct Heard {
        std::size_t fingerprint = 0;  ///< A hash of the record.
        Duration cadence{};           ///< As configured when the facts were read. A reload may change it.
        std::optional<Instant> last_message_at;
        std::optional<Instant> clock_disbelieved_at;
        std::optional<Duration> longer_cadence;
    };
    /// Null if the record is damaged.
    [[nodiscard]] const Heard* heard_of(const MeterRecord& record, const MeterSettings& settings);

    const std::filesystem::path ledger_;
    const std::function<bool()> is_in_place_;
    const CivilZone zone_;
    std::unique_ptr<LedgerView> view_;
    std::unordered_map<MeterKey, Heard> heard_;
};

}  // namespace tickledger
