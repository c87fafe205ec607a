// Booking: every tick once. One reading and what is known before it give entries and a new state.
//
// Pure: no clock, no storage, no allocation. The rows of docs/ledger.md are tried in their order.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string_view>

#include "tickledger/check.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/message.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

struct Observation;

/// What booking needs of a meter's settings, worked out once.
class CounterRules {
public:
    explicit CounterRules(const MeterSettings& meter);

    bool pulses = false;
    /// The node, or the register itself, keeps every tick: a count that falls a little has run back.
    bool keeps_every_tick = false;
    int seq_bits = 32;
    std::uint64_t checkpoint_ticks = 0;
    Duration cadence{};

    /// A gain is plausible if its volume is at most 1.1 Q4 times the span, and two ticks more.
    [[nodiscard]] bool plausible(std::uint64_t gain_ticks, Duration span) const;
    /// The largest plausible gain of a span, in ticks.
    [[nodiscard]] std::uint64_t plausible_max(Duration span) const;

    /// The count begins again at 0 somewhere: at W.
    [[nodiscard]] bool wraps() const { return wraps_; }
    /// (to - from) mod W. Where the count never wraps, W is 2^64.
    [[nodiscard]] std::uint64_t gain(std::uint64_t from, std::uint64_t to) const;
    /// a <= b in the serial arithmetic of RFC 1982, mod W.
    [[nodiscard]] bool count_not_after(std::uint64_t a, std::uint64_t b) const;
    /// How far `to` lies after `from` in seq_bits: 0 equal, negative before (RFC 1982; exactly half
    /// the range, which the RFC leaves undefined, counts as before).
    [[nodiscard]] std::int64_t seq_distance(std::uint64_t from, std::uint64_t to) const;
    [[nodiscard]] std::uint64_t seq_after(std::uint64_t seq) const;
    [[nodiscard]] std::uint64_t seq_before(std::uint64_t seq) const;
    /// A longer pause is a silence: the node missed a message.
    [[nodiscard]] Duration silence() const { return cadence * 3 / 2; }
    /// The longest time that may have passed between two observations: what a gain must be plausible over.
    /// Where the node's clock was believed then and is not now, the time between the arrivals counts too;
    /// where it runs on wrong, the time that passed on it.
    [[nodiscard]] Duration longest(const Observation& from, const Observation& to) const;

private:
    // gain - 2 <= rate_numerator * span / rate_denominator, all whole numbers.
    std::uint64_t rate_numerator_ = 0;
    std::uint64_t rate_denominator_ = 1;
    bool wraps_ = false;
    std::uint64_t last_count_ = 0;  ///< W - 1.
};

/// A reading that was accepted, or is held, at the moment it counts for.
struct Observation {
    Instant at{};
    std::uint64_t count = 0;
    std::optional<std::uint64_t> boot{};
    std::optional<std::uint64_t> seq{};
    std::optional<std::uint64_t> saved{};
    std::optional<Duration> uptime{};
    /// `at` was placed by the node's cadence, not told. It may have been as late as `arrived_at`, and as
    /// early as `no_earlier`, the last moment before it that was not placed.
    bool time_estimated = false;
    Instant arrived_at{};
    /// Where it was not placed: what follows may have run since this moment, as this one had waited by the
    /// node's uptime, or may have, where the next comes within half a cadence. Zero: since `at`.
    Instant no_earlier{};
    /// Where it was not placed and may have waited: when the first message came of those that came so soon.
    /// Zero where its uptime tells that it had.
    Instant hurry_from{};
    /// What the node's clock told, believed or not.
    std::optional<Instant> node_time{};

    [[nodiscard]] Instant earliest() const { return time_estimated ? no_earlier : at; }
    [[nodiscard]] Instant latest() const { return time_estimated ? std::max(at, arrived_at) : at; }
    /// Its moment is one that the node told.
    [[nodiscard]] bool tells_time() const { return node_time == at; }

    bool operator==(const Observation&) const = default;
};

/// A reading that the next one must confirm.
struct Held {
    Observation observation;
    /// A fall that looks like a restart nobody told: if confirmed, a restart from this count.
    std::optional<std::uint64_t> restart_from{};
    /// A small fall of a count that keeps every tick: if confirmed, water ran back.
    bool is_reverse = false;

    bool operator==(const Held&) const = default;
};

/// All that booking remembers of a meter.
struct CounterState {
    std::optional<Observation> last;
    std::optional<Held> held;

    bool operator==(const CounterState&) const = default;
};

/// How a message came, as far as it bears on when and whether it counts.
struct Circumstances {
    Instant arrived_at{};
    /// It waited at the broker, with so many more of its topic behind it.
    bool waited = false;
    int behind = 0;
    bool retained = false;
    /// Its boot was left before, and is not the current one: known from the ledger's list of boots.
    bool boot_already_left = false;
    /// Its (boot, seq) was accepted before: known from the ledger's lists of boots and gaps.
    bool already_accepted = false;
};

enum class Outcome : std::uint8_t {
    first,   ///< The register starts here.
    repeat,  ///< Known already. Nothing changes.
    late,    ///< Belongs to the past: see `late_at`. The caller divides an entry, fills a gap, or refuses it.
    booked,  ///< One or more entries.
    held,    ///< Waits for the next reading. There may be entries too: what it settled.
};

/// Why a reading is kept apart and not booked.
enum class Refusal : std::uint8_t { none, stray, late, unreadable };
[[nodiscard]] std::string_view name_of(Refusal refusal);

/// What one reading does. Holds all in place: no allocation.
struct Booking {
    Outcome outcome = Outcome::repeat;
    /// The node told a time that is not believed; the arrival counts instead.
    bool clock_disbelieved = false;
    /// For `late`: when it was: what it told believably or, where it told nothing and stands earlier in the
    /// record than what was accepted, its arrival.
    std::optional<Instant> late_at;
    /// The suspect that this reading refuted: a stray.
    std::optional<Observation> stray;

    /// At most four.
    void add_entry(const Entry& entry) {
        TICKLEDGER_CHECK(entry_count_ < entries_.size(), "a booking has at most four entries");
        entries_[entry_count_++] = entry;
    }
    /// At most two.
    void accept(const Observation& observation) {
        TICKLEDGER_CHECK(accepted_count_ < accepted_.size(), "a booking accepts at most two observations");
        accepted_[accepted_count_++] = observation;
    }
    /// In order of time: at most what a settled suspect leaves, a gap, and the reading's own.
    [[nodiscard]] std::span<const Entry> entries() const { return {entries_.data(), entry_count_}; }
    /// What took its place in the node's order: a settled suspect, then the reading itself.
    [[nodiscard]] std::span<const Observation> accepted() const {
        return {accepted_.data(), accepted_count_};
    }

private:
    std::array<Entry, 4> entries_;
    std::array<Observation, 2> accepted_;
    std::size_t entry_count_ = 0;
    std::size_t accepted_count_ = 0;
};

/// Books one reading. Changes `state` where the outcome is first, booked or held.
[[nodiscard]] Booking book(CounterState& state, const Reading& reading, const Circumstances& came,
                           const CounterRules& rules);

/// The reading tells when it was, and is believed: else its arrival counts, and it may have waited.
[[nodiscard]] bool tells_believed_time(const CounterState& state, const Reading& reading,
                                       const Circumstances& came, const CounterRules& rules);

/// The last observation in the node's order: what is held, else what was accepted; null: nothing yet.
[[nodiscard]] const Observation* newest(const CounterState& state);

/// What a late reading does to the entry that its time falls into.
struct LateBooking {
    enum class Fit : std::uint8_t {
        divides,      ///< The parts take the entry's place; together they hold the same ticks.
        known,        ///< It agrees with the entry and adds nothing.
        contradicts,  ///< It does not fit: refused.
    };
    Fit fit = Fit::contradicts;
    /// In order of time, two or three, where it divides.
    [[nodiscard]] std::span<const Entry> parts() const { return {parts_.data(), part_count_}; }
    void add(const Entry& entry) {
        TICKLEDGER_CHECK(part_count_ < parts_.size(), "a late reading divides an entry into three at most");
        parts_[part_count_++] = entry;
    }

private:
    std::array<Entry, 3> parts_;
    std::size_t part_count_ = 0;
};

/// Divides a counter meter's entry at a late reading inside it, where the reading fits between the entry's
/// ends without changing the total. `before`: the mark at which the entry begins.
/// Precondition: entry.span.from < at <= entry.span.to, or `at` is the moment of an entry without length.
[[nodiscard]] LateBooking divide(const Entry& entry, const Mark& before, const Reading& late, Instant at,
                                 const CounterRules& rules);

/// Fills part of a pulse meter's gap with a message that came late.
/// Precondition: `lost` misses the message (late.boot, late.seq).
[[nodiscard]] LateBooking fill(const Entry& lost, const Reading& late, const CounterRules& rules);

/// The held reading as the ledger shows it.
[[nodiscard]] std::optional<Entry> held_entry(const CounterState& state);

}  // namespace tickledger
