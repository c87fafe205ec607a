// The unit of the ledger: a span of time, a whole number of ticks and a kind.
#pragma once

#include <cstdint>
#include <optional>
#include <string_view>

#include "tickledger/time.hpp"

namespace tickledger {

enum class EntryKind : std::uint8_t {
    measured,    ///< Seen by the node from end to end. Without ticks it also proves stillness.
    restart,     ///< The node restarted within it. Covered, but proves nothing about unseen water.
    preset,      ///< The count was set by hand within it. Books no ticks and covers nothing.
    lost,        ///< Messages with pulses that never came. Ticks unknown, covers nothing.
    adjustment,  ///< The difference to a reading by eye. Lies over other entries and may be negative.
    reverse,     ///< The register ran back within it: its ticks are negative. Covered, but proves nothing.
    held,        ///< Shown, never stored: a reading that waits for the next one to confirm it.
};

[[nodiscard]] std::string_view name_of(EntryKind kind);

/// Where an entry ends in the node's own counting. Late messages are compared with it.
struct Mark {
    std::uint64_t count = 0;
    std::uint64_t boot = 0;  ///< 0 if the node gave none.
    std::uint64_t seq = 0;   ///< Also 0 if the node gave none.
    bool operator==(const Mark&) const = default;
};

/// One entry. The entries of a meter, except adjustments, never overlap and leave no gap between them.
struct Entry {
    Span span;
    /// Whole ticks. Negative in `reverse` and possibly in `adjustment`. In `lost` and `held` it is 0 and
    /// means nothing (see ticks_known).
    std::int64_t ticks = 0;
    EntryKind kind = EntryKind::measured;
    /// Its time was worked out from the cadence, because the node gave none that is believed.
    bool time_estimated = false;
    /// The most ticks that may have run unseen in it. Empty if none can have.
    std::optional<std::uint64_t> unseen_max{};
    /// The counter at the beginning and the end.
    ///
    /// Counter meters: ticks = end.count - begin_count (mod W) for measured, restart and reverse.
    ///
    /// Pulse meters: end.seq is the number of the message. A lost entry misses the messages begin_count to
    /// end.seq of end.boot, both inclusive.
    std::uint64_t begin_count = 0;
    Mark end;

    [[nodiscard]] bool ticks_known() const { return kind != EntryKind::lost && kind != EntryKind::held; }
    [[nodiscard]] bool covers() const {
        return kind == EntryKind::measured || kind == EntryKind::restart || kind == EntryKind::reverse;
    }
    bool operator==(const Entry&) const = default;
};

}  // namespace tickledger
