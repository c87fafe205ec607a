// Books adjustments for readings of the register by eye and for pulse values that a calibration found. Works
// them out again when entries before them change.
//
// Let B be the booked ticks, without adjustments, up to the moment of a reading. The register at that moment
// is made of B and of all adjustments so far. The adjustment that ends there is the number of ticks, to the
// nearest tick, that is missing for the register to show what was read. It is worked out again whenever B, an
// earlier reading or a pulse value changes. So water that was adjusted once and is found later (by a message
// that fills a gap) is not counted twice. If the moment is inside an entry, the entry's ticks may have come
// before or after it. Only what they cannot explain is adjusted.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "book/account.hpp"
#include "book/publications.hpp"
#include "book/register_rules.hpp"
#include "book/row_cache.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// All methods throw StoreFailure.
class RegisterFollower {
public:
    /// `fine_detail_from`: kept by the caller, read at each call (see RegisterBasis).
    RegisterFollower(const CivilZone& zone, Ledger& ledger, RowCache& rows, Publications& publications,
                     const std::optional<Instant>& fine_detail_from)
        : zone_(zone),
          ledger_(ledger),
          rows_(rows),
          publications_(publications),
          fine_detail_from_(fine_detail_from) {}

    /// Updates the adjustments after entries were removed from the account's series and added to it.
    void follow(Account& account, std::span<const Entry> removed, std::span<const Entry> added);

    /// Each does nothing if the instruction repeats an earlier one or is not valid. (The API call judged it
    /// too, but messages may have arrived in between.)
    void read(Account& account, const SaidReading& said, Instant now);
    void take_back(Account& account, Instant reading_at);
    void apply(Account& account, const AppliedPulseValue& value);

private:
    using Readings = std::vector<RegisterReading>;

    [[nodiscard]] Readings readings_of(const Account& account);
    [[nodiscard]] RegisterBasis basis(const Account& account, const Readings& readings) const;
    [[nodiscard]] RegisterReading counted(const Account& account, const SaidReading& said,
                                          const Readings& booked);
    void adjust(Account& account, Readings readings, const Readings& booked, std::size_t place);
    void book_adjustments(Account& account, const Readings& readings, const Readings& booked);
    [[nodiscard]] std::int64_t register_at(Account& account, const PulseValues& values,
                                           std::span<const RegisterReading> until, const Readings& booked,
                                           Ratio start_l);
    void revise_from(Account& account, Instant from);

    const CivilZone& zone_;
    Ledger& ledger_;
    RowCache& rows_;
    Publications& publications_;
    const std::optional<Instant>& fine_detail_from_;
};

}  // namespace tickledger
