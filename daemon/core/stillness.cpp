#include "tickledger/stillness.hpp"

#include <algorithm>

#include "tickledger/hours.hpp"

namespace tickledger {

Stillness::Stillness(Span window, Duration still_for)
    : window_(window),
      still_for_(still_for),
      seen_to_(window.from),
      still_from_(window.from),
      maybe_from_(window.from),
      longest_still_{window.from, window.from} {}

void Stillness::unseen_until(Instant t) {
    if (t <= seen_to_) return;
    seen_to_ = t;
    still_from_ = t;
    longest_maybe_ = std::max(longest_maybe_, seen_to_ - maybe_from_);
}

void Stillness::add(const Entry& entry) {
    // An entry that covers nothing leaves its time unseen. The next entry's beginning, or the verdict,
    // accounts for it.
    if (!entry.covers()) return;
    const Span part = overlap(entry.span, {seen_to_, window_.to});
    const Duration length = entry.span.length();
    // A span with an estimated time, or in which the register ran back, proves neither stillness nor flow.
    const bool ticked = entry.ticks > 0 && !entry.time_estimated;
    const bool is_certain = entry.ticks == 0 && entry.kind == EntryKind::measured && !entry.time_estimated;
    // Ticks without length at the very beginning of the window belong to the span that ends there.
    const bool lies_within =
        part.length() > Duration{0} ||
        (ticked && length == Duration{0} && part.length() == Duration{0} && part.to > window_.from);
    if (!lies_within) return;

    unseen_until(part.from);
    seen_to_ = part.to;
    // The length of the whole entry counts here, not of its part in the window: its ticks may all be outside.
    if (ticked && length <= still_for_) {
        still_from_ = seen_to_;
        maybe_from_ = seen_to_;
        return;
    }
    longest_maybe_ = std::max(longest_maybe_, seen_to_ - maybe_from_);
    if (!is_certain) {
        still_from_ = seen_to_;
    } else if (seen_to_ - still_from_ > longest_still_.length()) {
        longest_still_ = {still_from_, seen_to_};
    }
}

Verdict Stillness::verdict() const {
    if (longest_still_.length() >= still_for_) return Verdict::still;
    Duration longest_maybe = longest_maybe_;
    if (seen_to_ < window_.to) longest_maybe = std::max(longest_maybe, window_.to - maybe_from_);
    return longest_maybe >= still_for_ ? Verdict::undecided : Verdict::flow;
}

std::optional<double> smallest_visible_leak_l_per_h(const MeterSettings& meter) {
    if (meter.cadence <= Duration{0} || meter.cadence > meter.alarms.still_for) return std::nullopt;
    const Duration whole_spans = meter.alarms.still_for / meter.cadence * meter.cadence;
    return meter.pulse_value_l.value() / hours_of(whole_spans);
}

}  // namespace tickledger
