// The ledger's unit: a span of time, a whole number of ticks, a kind.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "tickledger/time.hpp"

namespace tickledger {

enum class EntryKind : std::uint8_t {
    measured,    ///< Seen by the node from end to end: also proof of stillness where it holds no tick.
    restart,     ///< The node started anew within it: covered, but no proof of anything unseen.
    preset,      ///< The count was set by hand within it: books no ticks, covers nothing.
    lost,        ///< Messages with pulses that never came: ticks unknown, covers nothing.
    adjustment,  ///< The difference to a reading by eye. Lies over other entries, may be negative.
    reverse,  ///< The register ran back within it: its ticks are negative. Covered, but no proof of anything.
    held,     ///< Shown, never stored: a reading that waits for the next one to confirm it.
};

[[nodiscard]] std::string_view name_of(EntryKind kind);

/// Where an entry ends in the node's own counting; what late messages are compared with.
struct Mark {
    std::uint64_t count = 0;
    std::uint64_t boot = 0;  ///< 0: the node told none.
    std::uint64_t seq = 0;
    bool operator==(const Mark&) const = default;
};

/// One entry. Entries of a meter, adjustments apart, never overlap and leave no gap between them.
struct Entry {
    Span span;
    /// Whole ticks, negative in `reverse` and maybe in `adjustment`; 0 and without meaning where the kind is
    /// `lost` or `held` (see ticks_known).
    std::int64_t ticks = 0;
    EntryKind kind = EntryKind::measured;
    /// Its time was placed by the node's cadence, not told: the message had waited at the broker.
    bool time_estimated = false;
    /// The most that may have run unseen in it, in ticks, where that cannot be known.
    std::optional<std::uint64_t> unseen_max{};
    /// The counter at its beginning and end. Counter meters: ticks = end.count - begin_count (mod W)
    /// for measured, restart and reverse. Pulse meters: end.seq is the message's; a lost entry misses the
    /// messages begin_count to end.seq, both inclusive, of end.boot.
    std::uint64_t begin_count = 0;
    Mark end;

    [[nodiscard]] bool ticks_known() const { return kind != EntryKind::lost && kind != EntryKind::held; }
    [[nodiscard]] bool covers() const {
        return kind == EntryKind::measured || kind == EntryKind::restart || kind == EntryKind::reverse;
    }
    bool operator==(const Entry&) const = default;
};

}  // namespace tickledger
