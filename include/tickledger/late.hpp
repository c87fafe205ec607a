// What late readings do to past entries: they make them finer and never change their sum.
#pragma once

#include <array>
#include <cstdint>
#include <span>

#include "tickledger/check.hpp"
#include "tickledger/counter_rules.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

/// What a late reading does to the entry that holds its time.
struct LateBooking {
    enum class Fit : std::uint8_t {
        divides,      ///< The parts take the entry's place. Together they hold the same ticks.
        known,        ///< It fits but adds nothing: the entry has it already, or a part would be implausible.
        contradicts,  ///< It does not fit and is refused.
    };
    Fit fit = Fit::contradicts;
    /// If it divides: one to three parts, in order of time.
    [[nodiscard]] std::span<const Entry> parts() const { return {parts_.data(), part_count_}; }
    void add(const Entry& entry) {
        TICKLEDGER_CHECK(part_count_ < parts_.size(), "a late reading divides an entry into three at most");
        parts_[part_count_++] = entry;
    }

private:
    std::array<Entry, 3> parts_;
    std::size_t part_count_ = 0;
};

/// Divides a counter meter's entry at a late reading inside it, if the reading's count fits between the
/// entry's ends. The total does not change. `before` is the mark at which the entry begins.
///
/// Precondition: entry.span.from < at <= entry.span.to, or `at` is the moment of an entry without length.
[[nodiscard]] LateBooking divide(const Entry& entry, const Mark& before, const Reading& late, Instant at,
                                 const CounterRules& rules);

/// Fills part of a pulse meter's gap with a message that came late.
///
/// Precondition: `lost` misses the message (late.boot, late.seq).
[[nodiscard]] LateBooking fill(const Entry& lost, const Reading& late, const CounterRules& rules);

}  // namespace tickledger
