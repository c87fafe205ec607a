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
#include "tickledger/counter_rules.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

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
    /// node's uptime, or may have, where the next comes as a queue does. Zero: since `at`.
    Instant no_earlier{};
    /// Where it was not placed and may have waited: when the first message came of those that came so soon.
    /// Zero where its uptime tells that it had.
    Instant hurry_from{};
    /// How many messages came since `hurry_from`, this one included.
    std::int64_t hurried = 0;
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
    /// Pulses of an earlier start, with new numbers: since when they ran, nothing tells.
    bool boot_goes_on = false;
    /// Words of its boot, of which nothing is booked, were strays beside those of the running start, which
    /// was heard a short while ago: no two of them confirm each other.
    bool boot_is_doubtful = false;
    /// Words of its boot, of which nothing is booked, were strays: the count that the first of them told.
    std::optional<std::uint64_t> count_of_strays{};
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

/// The held reading as the ledger shows it.
[[nodiscard]] std::optional<Entry> held_entry(const CounterState& state);

}  // namespace tickledger
