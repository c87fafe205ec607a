// Water that runs too fast or too long, detected from the entries as they come.
#pragma once

#include <optional>

#include "tickledger/entry.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// Follows whether the flow stays at or above a limit. A stretch with n ticks may hold up to n+1 pulse
/// values. This doubt counts as flow, so that a flow at the limit is reported and not missed. If a burst
/// began within a span, its beginning is worked out from the flow that follows.
///
/// Pure. Precondition: entries in order of time.
class HighFlow {
public:
    /// Below this share of the limit the flow counts as low again.
    static constexpr double deadband = 0.9;
    /// A burst is over only after this long, however short `high_flow_for` is. Flow that comes and goes is
    /// one burst.
    static constexpr Duration off_delay = std::chrono::minutes{10};

    /// True if the newest entry shows that the limit has been reached for `high_flow_for`.
    bool add(const Entry& entry, const MeterSettings& meter);
    /// The flow has been low for `high_flow_for` and for `off_delay`. Unseen time does not count as low.
    [[nodiscard]] bool is_over(const MeterSettings& meter) const;
    /// The span since the burst began.
    [[nodiscard]] Span run() const { return {run_from_.value_or(block_.to), block_.to}; }
    [[nodiscard]] std::int64_t run_ticks() const { return run_ticks_; }

    /// In the order in which ledgers store them: see book/memory_fields.hpp.
    template <typename Archive>
    void fields(Archive&& archive) {
        archive("block", block_), archive("ticks", ticks_), archive("ticks_before", ticks_before_);
        archive("length_before", length_before_), archive("run_from", run_from_);
        archive("run_ticks", run_ticks_), archive("low_from", low_from_);
    }

private:
    void judge_block(double limit_l_per_h, double pulse_value_l);

    Span block_{};  ///< Grows until it is long enough for several ticks at the limit.
    std::int64_t ticks_ = 0;
    std::int64_t ticks_before_ = 0;
    Duration length_before_{};
    std::optional<Instant> run_from_;
    std::int64_t run_ticks_ = 0;
    std::optional<Instant> low_from_;
};

/// Follows one use of water from its first tick to its last.
class LongDraw {
public:
    /// An open tap runs at least at this flow. Less is a leak, or two uses.
    static constexpr double open_l_per_h = 60;
    /// A longer span with ticks cannot tell one use from several. (Common practice, no source.)
    static constexpr Duration longest_span = std::chrono::minutes{10};
    /// At this cadence, a span is still short enough if one message is lost.
    static constexpr Duration longest_cadence = longest_span / 2;

    /// True if the newest entry shows that the present use has reached the volume or the time.
    bool add(const Entry& entry, const MeterSettings& meter);
    /// The newest entry shows that no tap has been open all the time. Unseen time proves nothing.
    [[nodiscard]] bool is_shut() const { return is_shut_; }
    [[nodiscard]] Instant since() const { return first_to_.value_or(Instant{}); }
    [[nodiscard]] std::int64_t ticks() const { return ticks_; }

    /// In the order in which ledgers store them: see book/memory_fields.hpp.
    template <typename Archive>
    void fields(Archive&& archive) {
        archive("first_to", first_to_), archive("last_to", last_to_), archive("ticks", ticks_);
    }

private:
    std::optional<Instant> first_to_;  ///< The end of the span that holds its first tick.
    Instant last_to_{};                ///< The end of the last span that held a tick or was not seen.
    std::int64_t ticks_ = 0;
    bool is_shut_ = false;  ///< By the newest entry; not saved.
};

}  // namespace tickledger
