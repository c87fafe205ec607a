// When the water stood still: the evidence for night-flow.
#pragma once

#include <optional>

#include "tickledger/entry.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// Whether the window contains an idle stretch of at least `still_for`.
enum class Verdict : std::uint8_t {
    still,      ///< A tick-free stretch of that length was seen.
    flow,       ///< There was no such stretch.
    undecided,  ///< There may have been one: some time was unseen, or a span is too long to tell.
};

/// Follows the entries of one meter in order of time within a window. Keeps the longest stretch that was
/// certainly still, and the longest that may have been.
///
/// Certainly still are only measured spans without a tick whose time was not estimated. These may have been
/// still: time that no span covers, a restart without ticks, a span with an estimated time, a span in which
/// the register ran back, and a span with ticks that is longer than `still_for`. A shorter span with ticks
/// was not still.
class Stillness {
public:
    Stillness() = default;
    /// The whole of `window` is unseen until entries are added.
    Stillness(Span window, Duration still_for);

    /// Adds the part of the entry that is in the window. Adjustments are passed over.
    /// Precondition: entries come in order of time.
    void add(const Entry& entry);

    /// The verdict on the whole window. Time that no entry covers counts as unseen.
    [[nodiscard]] Verdict verdict() const;

    /// The longest stretch seen still so far. Once it is as long as `still_for`, the verdict is final.
    [[nodiscard]] Span longest_still() const { return longest_still_; }
    [[nodiscard]] Span window() const { return window_; }

    /// In the order in which ledgers store them: see book/memory_fields.hpp.
    template <typename Archive>
    void fields(Archive&& archive) {
        archive("from", window_.from), archive("to", window_.to), archive("still_for", still_for_);
        archive("seen_to", seen_to_), archive("still_from", still_from_), archive("maybe_from", maybe_from_);
        archive("longest_from", longest_still_.from), archive("longest_to", longest_still_.to);
        archive("longest_maybe", longest_maybe_);
    }

private:
    void unseen_until(Instant t);

    Span window_{};
    Duration still_for_{};
    Instant seen_to_{};
    Instant still_from_{};  ///< The current certain stretch is (still_from_, seen_to_].
    Instant maybe_from_{};  ///< The current possible stretch is (maybe_from_, seen_to_].
    Span longest_still_{};
    Duration longest_maybe_{};
};

/// The smallest steady leak that night-flow surely sees, in litres an hour. It ticks once in as many whole
/// spans of the cadence as fit into `still_for`. Between two of its ticks there are always fewer tick-free
/// spans than that, wherever the ticks are in their spans, even if messages come late by up to a cadence. A
/// smaller leak leaves a long enough stretch on some nights.
///
/// Nothing if not even one span fits: then a span with a tick may hold a still stretch too.
[[nodiscard]] std::optional<double> smallest_visible_leak_l_per_h(const MeterSettings& meter);

}  // namespace tickledger
