// A boot that passes for left, and that the node never left: it was heard before the first word of the start
// before it.
#pragma once

#include <optional>

#include "book/account.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// Whether a reading of a boot that was left may be live: nobody has spoken for 1.5 cadences. What comes
/// within half a cadence of it tells that both had waited.
[[nodiscard]] bool may_resume(const Account& account, const Reading& reading, const Circumstances& came);

/// Counts of a boot that was taken for left. Where it goes on with new numbers while the boot that came in
/// its place keeps silent, the node runs under it still. Then: what was last accepted of it, at the moment of
/// the last accepted message; what came since is counted from there. Nothing: it was left, or nobody can
/// tell. Throws StoreFailure.
[[nodiscard]] std::optional<Observation> resumed_boot(Ledger& ledger, const Account& account,
                                                      const Reading& reading, const Circumstances& came);

}  // namespace tickledger
