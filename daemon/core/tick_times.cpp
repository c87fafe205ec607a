#include "core/tick_times.hpp"

#include <algorithm>
#include <iterator>
#include <optional>
#include <utility>

#include "tickledger/hours.hpp"
#include "tickledger/running_water.hpp"

namespace tickledger {

namespace {

/// How long before the end of its span a tick may lie. A node that sends at a cadence leaves that open. A
/// node that sends only when there are ticks reports them at once: to the second or, if it looks less often,
/// within the shortest pause between its messages.
class Promptness {
public:
    explicit Promptness(std::span<const Entry> entries) {
        std::vector<Duration> with_ticks;
        std::vector<Duration> without;
        for (const Entry& entry : entries) {
            if (entry.kind == EntryKind::measured && entry.ticks >= 0)
                (entry.ticks > 0 ? with_ticks : without).push_back(entry.span.length());
        }
        constexpr std::size_t enough = 10;
        if (with_ticks.size() < enough) return;
        const bool is_still_otherwise = without.size() * 10 < with_ticks.size();
        if (!is_still_otherwise && !differ(with_ticks, ranked(without, 0.5))) return;
        const Duration closest = ranked(with_ticks, 0.05);
        longest_ = closest <= at_once_if_as_close ? at_once : closest;
    }

    /// Where the ticks of an entry may lie.
    [[nodiscard]] Span window_of(const Entry& entry) const {
        return {entry.span.to - std::min(entry.span.length(), longest_), entry.span.to};
    }

private:
    static constexpr Duration at_once = std::chrono::seconds{1};
    static constexpr Duration at_once_if_as_close = std::chrono::seconds{10};

    static Duration ranked(std::vector<Duration>& lengths, double share) {
        const auto place = static_cast<std::ptrdiff_t>(static_cast<double>(lengths.size() - 1) * share);
        std::nth_element(lengths.begin(), lengths.begin() + place, lengths.end());
        return lengths[static_cast<std::size_t>(place)];
    }

    /// Most lengths are not near the usual length of a span without ticks.
    static bool differ(const std::vector<Duration>& lengths, Duration usual) {
        const auto as_long = std::count_if(lengths.begin(), lengths.end(), [usual](Duration length) {
            return length * 5 >= usual * 4 && length * 5 <= usual * 6;
        });
        return static_cast<std::size_t>(as_long) * 2 < lengths.size();
    }

    Duration longest_ = Duration::max();
};

/// Water in a longer window may have been any number of uses. It is reported as one and not examined.
constexpr Duration coarsest = std::chrono::hours{1};

}  // namespace

Span between_cuts(Instant at, std::span<const Instant> cuts) {
    const auto next = std::ranges::upper_bound(cuts, at);
    return {next == cuts.begin() ? Instant::min() : *std::prev(next),
            next == cuts.end() ? Instant::max() : *next};
}

TickTimes tick_times(std::span<const Entry> entries, double pulse_value_l) {
    const Promptness promptness(entries);
    TickTimes times;
    bool after_gap = true;
    std::optional<Instant> seen_to;
    for (const Entry& entry : entries) {
        if (entry.kind == EntryKind::adjustment) continue;
        const Span window = promptness.window_of(entry);
        if (!entry.covers() || (seen_to && entry.span.from > *seen_to)) after_gap = true;
        if (!entry.covers()) continue;
        seen_to = entry.span.to;
        if (entry.ticks > 0 && window.length() > coarsest) {
            times.too_coarse.push_back(entry);
            after_gap = true;
            continue;
        }
        const bool is_lone = static_cast<double>(entry.ticks + 1) * pulse_value_l <
                             LongDraw::open_l_per_h * hours_of(window.length());
        for (std::int64_t k = 0; k < entry.ticks; ++k) {
            const Instant at = window.from + window.length() * (2 * k + 1) / (2 * entry.ticks);
            times.ticks.push_back({window, at, is_lone, std::exchange(after_gap, false)});
        }
    }
    return times;
}

}  // namespace tickledger
