#include "core/steady_flow.hpp"

#include <algorithm>

namespace tickledger {

namespace {

/// Fits straight lines to the times of a run's ticks.
class Lines {
public:
    explicit Lines(std::span<const TickTime> ticks) : sums_(ticks.size() + 1) {
        for (std::size_t i = 0; i < ticks.size(); ++i) {
            const double width_s = seconds_between(ticks[i].window.from, ticks[i].window.to);
            // A tick may be anywhere in its window: the variance of the uniform distribution.
            const double weight = 12 / std::max(width_s * width_s, least_width_s * least_width_s);
            const auto x = static_cast<double>(i);
            const double y = seconds_between(ticks.front().at, ticks[i].at);
            const Sums& before = sums_[i];
            sums_[i + 1] = {before.w + weight,          before.x + weight * x,
                            before.y + weight * y,      before.xx + weight * x * x,
                            before.xy + weight * x * y, before.yy + weight * y * y};
        }
    }

    struct Fit {
        double pause_s = 0;
        double misfit = 0;  ///< Sum of squares in units of the ticks' variances.
    };
    /// The line through the ticks from `first` to `last`, both inclusive.
    [[nodiscard]] Fit through(std::size_t first, std::size_t last) const {
        const Sums& a = sums_[first];
        const Sums& b = sums_[last + 1];
        const double w = b.w - a.w;
        const double x = (b.x - a.x) / w;
        const double y = (b.y - a.y) / w;
        const double xx = b.xx - a.xx - w * x * x;
        const double xy = b.xy - a.xy - w * x * y;
        const double yy = b.yy - a.yy - w * y * y;
        return {xy / xx, std::max(0.0, yy - xy * xy / xx)};
    }

private:
    static constexpr double least_width_s = 0.2;
    struct Sums {
        double w = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0;
    };
    std::vector<Sums> sums_;
};

}  // namespace

std::vector<Piece> pieces_of(std::span<const TickTime> ticks) {
    constexpr double cost_of_a_piece = 20;
    constexpr std::size_t longest_piece = 300;
    const Lines lines(ticks);
    std::vector<double> cost(ticks.size(), 0);
    std::vector<std::size_t> begin(ticks.size(), 0);
    for (std::size_t last = 1; last < ticks.size(); ++last) {
        cost[last] = 1e300;
        for (std::size_t first = last > longest_piece ? last - longest_piece : 0; first < last; ++first) {
            const double with = cost[first] + lines.through(first, last).misfit + cost_of_a_piece;
            if (with >= cost[last]) continue;
            cost[last] = with;
            begin[last] = first;
        }
    }
    std::vector<Piece> pieces;
    for (std::size_t last = ticks.size() - 1; last > 0; last = begin[last])
        pieces.push_back({begin[last], last, std::max(lines.through(begin[last], last).pause_s, 1e-3)});
    std::reverse(pieces.begin(), pieces.end());
    return pieces;
}

}  // namespace tickledger
