// What a tick stands for when that changes: a first pulse value, and the moments from which another one
// holds.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

struct PulseValueChange {
    /// A civil midnight, so that a day, and every shorter row, has one value.
    Instant from{};
    Ratio pulse_value_l{1, 1};
    bool operator==(const PulseValueChange&) const = default;
};

class PulseValues {
public:
    /// `changes` may be in any order. Of two from the same moment, the later one in the list counts.
    explicit PulseValues(Ratio first, std::vector<PulseValueChange> changes = {});

    /// The pulse value of the ticks in a row that begins at this moment.
    [[nodiscard]] Ratio at(Instant row_begin) const;
    /// The smallest pulse value that holds at some moment of a span. A tick at its end belongs to it.
    [[nodiscard]] Ratio least_in(Span span) const;
    [[nodiscard]] Ratio latest() const { return changes_.empty() ? first_ : changes_.back().pulse_value_l; }
    /// In order of time.
    [[nodiscard]] std::span<const PulseValueChange> changes() const { return changes_; }

private:
    Ratio first_;
    std::vector<PulseValueChange> changes_;
};

/// Ticks that all stand for one volume.
struct ValuedTicks {
    std::int64_t ticks = 0;
    Ratio pulse_value_l{1, 1};
};

/// Like scaled_volume() for one pulse value. The volumes are added exactly and rounded once.
[[nodiscard]] std::int64_t scaled_volume(std::span<const ValuedTicks> valued, Ratio offset_l,
                                         std::int64_t litres_per_unit, int digits);

/// The volume in litres, for estimates such as a flow.
[[nodiscard]] double volume_l(std::span<const ValuedTicks> valued);

/// Registers are compared in whole microlitres, which is finer than any register shows.
inline constexpr int digits_register = 6;

/// The number of ticks that comes nearest to a volume; half to even.
[[nodiscard]] std::int64_t nearest_ticks(std::int64_t volume_ul, Ratio pulse_value_l);

}  // namespace tickledger
