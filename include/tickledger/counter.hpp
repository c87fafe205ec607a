// Booking: counts every tick once. One reading, and what is known before it, give entries and a new state.
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
#include "tickledger/counter_rules.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

/// A reading that was accepted or is held, at the moment that it counts for.
struct Observation {
    Instant at{};
    std::uint64_t count = 0;
    std::optional<std::uint64_t> boot{};
    std::optional<std::uint64_t> seq{};
    std::optional<std::uint64_t> saved{};
    std::optional<Duration> uptime{};
    /// `at` was worked out from the node's cadence, not given by the node. The message may have been sent as
    /// late as `arrived_at`, and as early as `no_earlier`, the last moment before it that was not worked out.
    bool time_estimated = false;
    Instant arrived_at{};
    /// If the time is not estimated: the ticks of the next message may have run since this moment. Either the
    /// uptime shows that this message had waited, or it may have waited because the next one arrives as a
    /// queue does. Zero: they ran since `at`.
    Instant no_earlier{};
    /// If the time is not estimated and the message may have waited: the arrival of the first message of its
    /// burst, whose messages come faster than the node sends. Zero if the uptime shows that it had waited.
    Instant hurry_from{};
    /// The number of messages since `hurry_from`, including this one.
    std::int64_t hurried = 0;
    /// The time of the node's clock, believed or not.
    std::optional<Instant> node_time{};

    [[nodiscard]] Instant earliest() const { return time_estimated ? no_earlier : at; }
    [[nodiscard]] Instant latest() const { return time_estimated ? std::max(at, arrived_at) : at; }
    /// `at` is the time that the node itself gave.
    [[nodiscard]] bool tells_time() const { return node_time == at; }

    bool operator==(const Observation&) const = default;
};

/// A reading that the next reading must confirm.
struct Held {
    Observation observation;
    /// For a fall of the count that may be a restart: the count restarted from, if the next reading confirms
    /// it.
    std::optional<std::uint64_t> restart_from{};
    /// The count keeps every tick and fell a little. If the next reading confirms it, water ran back.
    bool is_reverse = false;

    bool operator==(const Held&) const = default;
};

/// Everything that booking remembers of a meter.
struct CounterState {
    std::optional<Observation> last;
    std::optional<Held> held;

    bool operator==(const CounterState&) const = default;
};

/// How a message came: everything that bears on when and whether it counts.
struct Circumstances {
    Instant arrived_at{};
    /// It waited at the broker, with `behind` messages of its topic behind it.
    bool waited = false;
    int behind = 0;
    bool retained = false;
    /// Its boot was left before and is not the current one: known from the ledger's list of boots.
    bool boot_already_left = false;
    /// Pulses of an earlier start, with new numbers. Since when they ran is unknown.
    bool boot_goes_on = false;
    /// Nothing is booked of its boot, and earlier messages of that boot became strays while the running boot
    /// was heard a short while ago. Messages of such a boot do not confirm each other.
    bool boot_is_doubtful = false;
    /// If nothing is booked of its boot and earlier messages of it became strays: the count of the first of
    /// them.
    std::optional<std::uint64_t> count_of_strays{};
    /// Its (boot, seq) was accepted or set aside before: known from the ledger's boots and gaps and the
    /// account.
    bool already_accepted = false;
};

enum class Outcome : std::uint8_t {
    first,   ///< The register starts here.
    repeat,  ///< Known already. Nothing changes.
    late,    ///< Belongs to the past: see `late_at`. The caller divides an entry, fills a gap, or refuses it.
    booked,  ///< One or more entries.
    held,    ///< Waits for the next reading. There may also be entries of a held reading that it settled.
};

/// Why a reading is kept apart and not booked.
enum class Refusal : std::uint8_t { none, stray, late, unreadable };
[[nodiscard]] std::string_view name_of(Refusal refusal);

/// What one reading does. Holds everything in place: no allocation.
struct Booking {
    Outcome outcome = Outcome::repeat;
    /// The node gave a time that is not believed. The arrival counts instead.
    bool clock_disbelieved = false;
    /// For `late`, the moment of the reading: the time that the node gave, if it is believed. If it gave
    /// none, and the record has the reading before the last accepted message: its arrival.
    std::optional<Instant> late_at;
    /// The held reading that this reading refuted: a stray.
    std::optional<Observation> stray;

    /// Precondition: fewer than four so far.
    void add_entry(const Entry& entry) {
        TICKLEDGER_CHECK(entry_count_ < entries_.size(), "a booking has at most four entries");
        entries_[entry_count_++] = entry;
    }
    /// Precondition: fewer than two so far.
    void accept(const Observation& observation) {
        TICKLEDGER_CHECK(accepted_count_ < accepted_.size(), "a booking accepts at most two observations");
        accepted_[accepted_count_++] = observation;
    }
    /// In order of time: those of a settled held reading, a gap, and the reading's own.
    [[nodiscard]] std::span<const Entry> entries() const { return {entries_.data(), entry_count_}; }
    /// The observations that took their place in the node's order: a settled held one, then the reading
    /// itself.
    [[nodiscard]] std::span<const Observation> accepted() const {
        return {accepted_.data(), accepted_count_};
    }

private:
    std::array<Entry, 4> entries_;
    std::array<Observation, 2> accepted_;
    std::size_t entry_count_ = 0;
    std::size_t accepted_count_ = 0;
};

/// Books one reading. Changes `state` if the outcome is first, booked or held.
[[nodiscard]] Booking book(CounterState& state, const Reading& reading, const Circumstances& came,
                           const CounterRules& rules);

/// The reading gives its time, and the time is believed. Otherwise its arrival counts, and it may have
/// waited.
[[nodiscard]] bool tells_believed_time(const CounterState& state, const Reading& reading,
                                       const Circumstances& came, const CounterRules& rules);

/// The last observation in the node's order: the held one, otherwise the last accepted one. Null if there is
/// neither.
[[nodiscard]] const Observation* newest(const CounterState& state);

/// The held reading as the ledger shows it. Nothing if none is held.
[[nodiscard]] std::optional<Entry> held_entry(const CounterState& state);

}  // namespace tickledger
