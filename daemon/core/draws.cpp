// Finds draws in ticks. Runs of ticks without the pause of a closed tap are cut into pieces of steady flow.
// The steps between the pieces separate uses that begin and end.
#include <algorithm>
#include <cmath>
#include <numeric>
#include <utility>

#include "core/draws_leak.hpp"
#include "core/steady_flow.hpp"
#include "core/tick_times.hpp"
#include "tickledger/draw.hpp"
#include "tickledger/hours.hpp"
#include "tickledger/running_water.hpp"

namespace tickledger {

namespace {

/// A single pause that is clearly longer than those beside it: the tap was closed in it. At the end of a run
/// it may also be the only pause of a slower use that ran beside another, so it must be longer there.
bool is_closed_in(std::span<const TickTime> ticks, const std::vector<Piece>& pieces, std::size_t i) {
    constexpr double clearly = 1.3;
    constexpr double very_clearly = 2.5;
    if (pieces[i].pauses() != 1 || pieces.size() == 1) return false;
    const bool is_within = i > 0 && i + 1 < pieces.size();
    const double beside_s =
        std::max(i > 0 ? pieces[i - 1].pause_s : 0, i + 1 < pieces.size() ? pieces[i + 1].pause_s : 0);
    const double blur_s = seconds_between(ticks[pieces[i].first].window.from, ticks[pieces[i].first].at) +
                          seconds_between(ticks[pieces[i].last].at, ticks[pieces[i].last].window.to);
    return pieces[i].pause_s - blur_s > (is_within ? clearly : very_clearly) * beside_s;
}

/// A use while its run is followed.
struct OpenUse {
    std::size_t first_tick = 0;
    std::size_t last_tick = 0;
    double flow = 0;  ///< In ticks a second, like all flows here.
    double peak = 0;
    double ticks = 0;
    double ticks_before = 0;  ///< The ticks until the newest use began.
    bool overlaps = false;
};

/// Flows that differ by a smaller share are one flow: taps and pressures waver.
constexpr double wavering = 0.06;

/// Follows one run from its first tick to its last and separates its uses.
class Run {
public:
    Run(std::span<const TickTime> ticks, double pulse_value_l)
        : ticks_(ticks), pulse_value_l_(pulse_value_l) {}

    void into(std::vector<Draw>& draws) {
        const auto pieces = pieces_of(ticks_);
        if (pieces.empty()) {
            open(0, 0);
            open_.front().ticks = 1;
        }
        for (std::size_t i = 0; i < pieces.size(); ++i) {
            if (open_.empty() || decides(pieces, i)) step_to(1 / pieces[i].pause_s, pieces[i]);
            run_through(pieces[i]);
        }
        close_all();
        give_out_whole_ticks();
        for (const OpenUse& use : uses_) {
            if (use.ticks > 0) draws.push_back(draw_of(use));
        }
    }

private:
    /// If the flow changes by more than this factor, another use took over. If by less, the tap was turned.
    static constexpr double turned = 1.7;
    /// A change of less than a litre a minute is not another use.
    static constexpr double smallest_use_l_per_s = 1.0 / 60;

    void open(std::size_t tick, double flow) {
        for (OpenUse& other : open_)
            other.ticks_before = other.ticks;
        newest_tick_ = tick;
        open_.push_back({.first_tick = tick, .last_tick = tick, .flow = flow, .peak = flow});
    }

    /// A single pause may hold the end of one flow and the beginning of another, and then shows neither. Only
    /// a pause that is shorter than those on both sides is a use of its own, a brief one.
    [[nodiscard]] static bool decides(const std::vector<Piece>& pieces, std::size_t i) {
        if (pieces[i].pauses() > 1 || i + 1 == pieces.size()) return true;
        return pieces[i].pause_s < std::min(pieces[i - 1].pause_s, pieces[i + 1].pause_s);
    }

    /// The flow changes with this piece: finds the use that began or ended.
    void step_to(double flow, const Piece& piece) {
        if (open_.empty()) {
            open(piece.first, flow);
            // The water before the first tick, up to one tick of it, belongs to the first use.
            open_.front().ticks = 1;
            return;
        }
        const double before = open_flow();
        const double step = flow - before;
        const double noise = std::max(2 * wavering * before, smallest_use_l_per_s / pulse_value_l_);
        const bool was_turned_down = step < 0 && open_.size() == 1 && before <= turned * flow;
        if (std::abs(step) <= noise || was_turned_down) {
            scale(flow / before);
        } else if (step > 0) {
            open(piece.first, step);
        } else if (open_.size() > 1) {
            shut(-step, flow, piece.first);
        } else {
            finish(open_.begin(), piece.first);
            open(piece.first, flow);
        }
    }

    /// Ends the use whose flow is nearest to the step. The difference changes the flow of the others.
    void shut(double step, double flow_left, std::size_t tick) {
        const auto nearest =
            std::min_element(open_.begin(), open_.end(), [step](const auto& a, const auto& b) {
                return std::abs(a.flow - step) < std::abs(b.flow - step);
            });
        for (OpenUse& use : open_)
            use.overlaps = true;
        finish(nearest, tick);
        scale(flow_left / open_flow());
    }

    void finish(std::vector<OpenUse>::iterator use, std::size_t tick) {
        use->last_tick = tick;
        uses_.push_back(*use);
        open_.erase(use);
    }

    [[nodiscard]] double open_flow() const {
        return std::accumulate(open_.begin(), open_.end(), 0.0,
                               [](double sum, const OpenUse& use) { return sum + use.flow; });
    }

    void scale(double factor) {
        for (OpenUse& use : open_) {
            use.flow *= factor;
            use.peak = std::max(use.peak, use.flow);
        }
    }

    void run_through(const Piece& piece) {
        const double flow = open_flow();
        for (OpenUse& use : open_) {
            use.ticks += static_cast<double>(piece.pauses()) * use.flow / flow;
            use.last_tick = piece.last;
        }
    }

    void close_all() {
        if (open_.size() > 1 && open_.back().first_tick == newest_tick_) hand_over();
        uses_.insert(uses_.end(), open_.begin(), open_.end());
        open_.clear();
        std::sort(uses_.begin(), uses_.end(),
                  [](const OpenUse& a, const OpenUse& b) { return a.first_tick < b.first_tick; });
    }

    /// Two taps are seldom closed at the same moment. If several uses seem to end together, the newest took
    /// over from the others when it began, or somebody only turned the tap.
    void hand_over() {
        OpenUse newest = open_.back();
        open_.pop_back();
        const double before = open_flow();
        const double after = before + newest.flow;
        if (open_.size() == 1 && after <= turned * before) {
            open_.front().ticks += newest.ticks;
            open_.front().peak = std::max(open_.front().peak, after);
            return;
        }
        for (OpenUse& other : open_) {
            newest.ticks += other.ticks - other.ticks_before;
            other.ticks = other.ticks_before;
            other.last_tick = newest.first_tick;
        }
        newest.peak = after;
        open_.push_back(newest);
    }

    /// Whole ticks by largest remainder, so that the run's sum stays exact.
    void give_out_whole_ticks() {
        auto left = static_cast<std::ptrdiff_t>(ticks_.size());
        std::vector<std::pair<double, std::size_t>> remainders;
        for (std::size_t i = 0; i < uses_.size(); ++i) {
            const double whole = std::floor(uses_[i].ticks + 1e-9);
            remainders.emplace_back(uses_[i].ticks - whole, i);
            uses_[i].ticks = whole;
            left -= static_cast<std::ptrdiff_t>(whole);
        }
        std::sort(remainders.begin(), remainders.end(), [](const auto& a, const auto& b) {
            return a.first != b.first ? a.first > b.first : a.second < b.second;
        });
        for (std::size_t i = 0; left > 0; ++i, --left)
            uses_[remainders[i % remainders.size()].second].ticks += 1;
    }

    [[nodiscard]] Draw draw_of(const OpenUse& use) const {
        const TickTime& first = ticks_[use.first_tick];
        const TickTime& last = ticks_[use.last_tick];
        Draw draw;
        draw.ticks = static_cast<std::int64_t>(use.ticks);
        draw.overlaps = use.overlaps;
        for (std::size_t tick = use.first_tick; tick <= use.last_tick; ++tick)
            draw.blur = std::max(draw.blur, ticks_[tick].window.length());
        draw.span = {first.at, last.at};
        if (use.first_tick == use.last_tick) {
            draw.span = first.window;
            return draw;
        }
        // The water ran before its first tick and after its last one, by half a tick on average.
        const auto half_pause = [&](std::size_t tick, std::size_t other) {
            return (ticks_[std::max(tick, other)].at - ticks_[std::min(tick, other)].at) / 2;
        };
        if (use.first_tick == 0) draw.span.from -= half_pause(0, 1);
        if (use.last_tick + 1 == ticks_.size()) draw.span.to += half_pause(use.last_tick, use.last_tick - 1);
        if (draw.span.length() <= Duration{0}) return draw;
        draw.mean_flow_l_per_h = use.ticks * pulse_value_l_ / hours_of(draw.span.length());
        draw.peak_flow_l_per_h = std::max(draw.mean_flow_l_per_h, use.peak * pulse_value_l_ * 3600);
        return draw;
    }

    std::span<const TickTime> ticks_;
    double pulse_value_l_;
    std::vector<OpenUse> open_;
    std::vector<OpenUse> uses_;
    std::size_t newest_tick_ = 0;  ///< The tick at which the newest use began.
};

/// Cuts the ticks where a tap was closed between two of them, and at the given cuts.
std::vector<std::span<const TickTime>> runs_of(std::span<const TickTime> ticks, double pulse_value_l,
                                               std::span<const Instant> cuts) {
    const double longest_pause_s = pulse_value_l / LongDraw::open_l_per_h * 3600;
    std::vector<std::span<const TickTime>> runs;
    std::size_t begin = 0;
    const auto goes_on = [&](const TickTime& before, const TickTime& tick) {
        if (before.at < between_cuts(tick.at, cuts).from) return false;
        if (before.window == tick.window) return true;
        return !tick.after_gap && !tick.is_lone && !before.is_lone &&
               seconds_between(before.window.to, tick.window.from) <= longest_pause_s;
    };
    for (std::size_t i = 1; i <= ticks.size(); ++i) {
        if (i < ticks.size() && goes_on(ticks[i - 1], ticks[i])) continue;
        runs.push_back(ticks.subspan(begin, i - begin));
        begin = i;
    }
    return runs;
}

/// If readings are farther apart, the course of the flow between them is unknown.
constexpr Duration finest_cadence_told_apart = std::chrono::seconds{15};

/// Makes a draw of each reading. label_draws() joins those that belong together.
void one_for_each_reading(std::span<const TickTime> run, std::vector<Draw>& draws) {
    for (std::size_t i = 0; i < run.size(); ++i) {
        if (i > 0 && run[i].window == run[i - 1].window) {
            ++draws.back().ticks;
        } else {
            draws.push_back({.span = run[i].window, .ticks = 1, .blur = run[i].window.length()});
        }
    }
}

void add_draws_of(std::span<const TickTime> run, double pulse_value_l, std::vector<Draw>& draws) {
    if (run.front().window.length() > finest_cadence_told_apart) {
        one_for_each_reading(run, draws);
        return;
    }
    const auto pieces = pieces_of(run);
    std::size_t begin = 0;
    for (std::size_t i = 0; i < pieces.size(); ++i) {
        if (!is_closed_in(run, pieces, i)) continue;
        Run(run.subspan(begin, pieces[i].first + 1 - begin), pulse_value_l).into(draws);
        begin = pieces[i].last;
    }
    Run(run.subspan(begin), pulse_value_l).into(draws);
}

}  // namespace

std::vector<Draw> draws_in(std::span<const Entry> entries, double pulse_value_l,
                           std::span<const Instant> cuts) {
    TickTimes times = tick_times(entries, pulse_value_l);
    std::vector<Draw> draws = take_out_leak(times.ticks, pulse_value_l, cuts);
    for (const auto run : runs_of(times.ticks, pulse_value_l, cuts)) {
        const std::size_t before = draws.size();
        add_draws_of(run, pulse_value_l, draws);
        // A draw begins before its first tick, but on the same side of a cut.
        const Span side = between_cuts(run.front().at, cuts);
        for (std::size_t i = before; i < draws.size(); ++i)
            draws[i].span = {std::max(draws[i].span.from, side.from), std::min(draws[i].span.to, side.to)};
    }
    for (const Entry& entry : times.too_coarse)
        draws.push_back({.span = entry.span, .ticks = entry.ticks, .blur = entry.span.length()});
    std::stable_sort(draws.begin(), draws.end(),
                     [](const Draw& a, const Draw& b) { return a.span < b.span; });
    return draws;
}

}  // namespace tickledger
