// Recognises a boot that was taken for left although the node still runs under it. This happens if a boot is
// heard before the first message of the boot that preceded it.
#pragma once

#include <optional>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// Whether a reading of a boot that was left may be live: nothing was heard for 1.5 cadences. If another
/// message arrives within half a cadence, both had waited.
[[nodiscard]] bool may_resume(const Account& account, const Reading& reading, const Circumstances& came);

/// For counts of a boot that was taken for left. If that boot continues with new numbers while the boot that
/// replaced it is silent, the node still runs under the first one. Then this returns the last accepted
/// observation of that boot, at the moment of the last accepted message; later counts are measured from
/// there. Nothing: the boot was left, or it cannot be known. Throws StoreFailure.
[[nodiscard]] std::optional<Observation> resumed_boot(Ledger& ledger, const Account& account,
                                                      const Reading& reading, const Circumstances& came);

}  // namespace tickledger
