#include "draws/score.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <numeric>
#include <optional>

#include "tickledger/hours.hpp"

namespace tickledger::draws {

using simulation::Use;
using std::chrono::hours;
using std::chrono::seconds;

DrawLabel label_of(Use use) {
    switch (use) {
        case Use::flush:
            return DrawLabel::flush;
        case Use::shower:
            return DrawLabel::shower;
        case Use::bath:
            return DrawLabel::bath;
        case Use::tap:
            return DrawLabel::tap;
        case Use::washer:
        case Use::dishwasher:
            return DrawLabel::washer;
        case Use::hose:
        case Use::irrigation:
            return DrawLabel::hose;
        case Use::leak:
            return DrawLabel::leak;
    }
    return DrawLabel::unknown;
}

namespace {

/// One tick: when it was complete, and the litres of each event in it.
struct MadeTick {
    Instant at{};
    std::vector<std::pair<std::size_t, double>> litres_of_event;
};

/// The parts of all events on one time line.
class Mixture {
public:
    Mixture(const Home& home, double pulse_value_l) : pulse_value_l_(pulse_value_l) {
        struct Change {
            Instant at;
            std::size_t event;
            double flow_l_per_s;
        };
        std::vector<Change> changes;
        for (std::size_t i = 0; i < home.events.size(); ++i) {
            for (const auto& part : home.events[i].parts) {
                const double flow = static_cast<double>(part.flow_ul_per_s) / 1e6;
                changes.push_back({part.span.from, i, flow});
                changes.push_back({part.span.to, i, -flow});
            }
        }
        std::stable_sort(changes.begin(), changes.end(),
                         [](const Change& a, const Change& b) { return a.at < b.at; });
        for (const Change& change : changes) {
            run_to(change.at);
            const auto found = std::find_if(running_.begin(), running_.end(), [&](const auto& running) {
                return running.first == change.event;
            });
            if (found == running_.end()) {
                running_.emplace_back(change.event, change.flow_l_per_s);
            } else {
                found->second += change.flow_l_per_s;
                if (std::abs(found->second) < 1e-9) running_.erase(found);
            }
        }
    }

    std::vector<MadeTick> ticks;

private:
    void run_to(Instant to) {
        double flow = 0;
        for (const auto& [event, l_per_s] : running_)
            flow += l_per_s;
        while (now_ < to && flow > 1e-9) {
            const double left_s = (pulse_value_l_ - filled_l_) / flow;
            const double to_s = std::chrono::duration<double>(to - now_).count();
            const double s = std::min(left_s, to_s);
            for (const auto& [event, l_per_s] : running_)
                add(event, l_per_s * s);
            filled_l_ += flow * s;
            if (left_s > to_s) break;
            now_ += Duration{std::llround(s * 1e6)};
            making_.at = now_;
            ticks.push_back(std::exchange(making_, {}));
            filled_l_ = 0;
        }
        now_ = to;
    }

    void add(std::size_t event, double litres) {
        auto& made_of = making_.litres_of_event;
        if (!made_of.empty() && made_of.back().first == event) {
            made_of.back().second += litres;
        } else {
            made_of.emplace_back(event, litres);
        }
    }

    double pulse_value_l_;
    double filled_l_ = 0.37 * pulse_value_l_;
    Instant now_{};
    MadeTick making_;
    std::vector<std::pair<std::size_t, double>> running_;
};

/// When the node reports the tick.
Instant told_at(Instant tick, Duration step) {
    const auto since = tick.time_since_epoch();
    return Instant{(since + step - Duration{1}) / step * step};
}

std::vector<Entry> entries_of(std::span<const MadeTick> ticks, const MeterAndNode& meter, Span span) {
    const bool at_ticks = meter.cadence == Duration{};
    const Duration step = at_ticks ? Duration{seconds{1}} : meter.cadence;
    std::vector<Entry> entries;
    Instant told_to = span.from;
    const auto tell = [&](Instant to, std::int64_t count) {
        entries.push_back({.span = {told_to, to}, .ticks = count, .end = {}});
        told_to = to;
    };
    for (std::size_t i = 0; i < ticks.size();) {
        const Instant turn = told_at(ticks[i].at, step);
        while (!at_ticks && told_to + step < turn)
            tell(told_to + step, 0);
        std::int64_t count = 0;
        for (; i < ticks.size() && told_at(ticks[i].at, step) == turn; ++i)
            ++count;
        tell(turn, count);
    }
    return entries;
}

/// The draw that contains a part of a tick. Of several, the one whose span is most like the event's.
const Draw* told_for(std::span<const Draw> draws, Span window, Span event) {
    const Draw* best = nullptr;
    double most = -1;
    for (const Draw& draw : draws) {
        if (draw.span.from > window.to || draw.span.to < window.from) continue;
        const auto s = [](Duration length) {
            return std::max(0.0, std::chrono::duration<double>(length).count());
        };
        const double shared = s(overlap(draw.span, event).length());
        const double alike = shared / std::max(1e-3, s(draw.span.length()) + s(event.length()) - shared);
        if (alike <= most) continue;
        most = alike;
        best = &draw;
    }
    return best;
}

void add_tick(Score& sum, const Home& home, const MadeTick& tick, std::span<const Draw> draws,
              Duration step) {
    const Instant told = told_at(tick.at, step);
    for (const auto& [event, litres] : tick.litres_of_event) {
        const auto truth = static_cast<std::size_t>(label_of(home.events[event].use));
        const Draw* draw = told_for(draws, {told - step, told}, home.events[event].span());
        const std::size_t as = draw ? static_cast<std::size_t>(draw->label) : draw_label_count;
        sum.volume_l += litres;
        sum.confusion_l.at(truth).at(as) += litres;
        if (as == truth) sum.right_l += litres;
        if (!draw) continue;
        const auto tenth = std::min<std::size_t>(9, static_cast<std::size_t>(draw->confidence * 10));
        sum.told_l.at(tenth) += litres;
        sum.told_confidence_l.at(tenth) += draw->confidence * litres;
        if (as == truth) sum.told_right_l.at(tenth) += litres;
    }
}

}  // namespace

Score& Score::operator+=(const Score& other) {
    volume_l += other.volume_l, right_l += other.right_l, told_leak_l += other.told_leak_l;
    for (std::size_t i = 0; i < confusion_l.size(); ++i) {
        for (std::size_t k = 0; k < confusion_l[i].size(); ++k)
            confusion_l[i][k] += other.confusion_l[i][k];
    }
    for (std::size_t i = 0; i < told_l.size(); ++i) {
        told_l[i] += other.told_l[i], told_right_l[i] += other.told_right_l[i];
        told_confidence_l[i] += other.told_confidence_l[i];
    }
    return *this;
}

double Score::litres(DrawLabel label) const {
    const auto& row = confusion_l.at(static_cast<std::size_t>(label));
    return std::accumulate(row.begin(), row.end(), 0.0);
}

double Score::recall(DrawLabel label) const {
    const double all = litres(label);
    const auto i = static_cast<std::size_t>(label);
    return all > 0 ? confusion_l.at(i).at(i) / all : 0;
}

double Score::calibration_error() const {
    double error_l = 0;
    double all_l = 0;
    for (std::size_t i = 0; i < told_l.size(); ++i) {
        error_l += std::abs(told_confidence_l[i] - told_right_l[i]);
        all_l += told_l[i];
    }
    return all_l > 0 ? error_l / all_l : 0;
}

namespace {

/// Reads the home week by week and passes each tick of the scored weeks to `look`, with the draws around it
/// and the index of the first of them. `label` labels the week's draws.
template <typename Label, typename Look>
void walk(const Home& home, const MeterAndNode& meter, const std::function<bool(int week)>& is_scored,
          Label label, Look look) {
    const std::vector<MadeTick> ticks = Mixture(home, meter.pulse_value_l).ticks;
    const Duration step = meter.cadence == Duration{} ? Duration{seconds{1}} : meter.cadence;
    const auto at_or_after = [&](Instant at) {
        return static_cast<std::size_t>(
            std::lower_bound(ticks.begin(), ticks.end(), at,
                             [](const MadeTick& tick, Instant t) { return tick.at < t; }) -
            ticks.begin());
    };
    for (int week = 0; week * 7 < home.days; ++week) {
        if (is_scored && !is_scored(week)) continue;
        const Span asked{
            home.from + hours{24 * 7 * week},
            std::min<Instant>(home.from + hours{24 * 7 * (week + 1)}, home.from + hours{24} * home.days)};
        const Span read{std::max<Instant>(home.from, asked.from - hours{24 * 14}), asked.to + hours{3}};
        const std::span<const MadeTick> all(ticks);
        const auto first = at_or_after(read.from);
        const auto entries = entries_of(all.subspan(first, at_or_after(read.to) - first), meter, read);
        std::vector<Draw> draws = draws_in(entries, meter.pulse_value_l);
        label(draws, asked);
        std::size_t from = 0;
        for (std::size_t i = at_or_after(asked.from); i < at_or_after(asked.to); ++i) {
            // A leak's draw lasts a day, a machine's for hours.
            while (from < draws.size() && draws[from].span.to < ticks[i].at - hours{4})
                ++from;
            std::size_t to = from;
            while (to < draws.size() && draws[to].span.from <= ticks[i].at + step)
                ++to;
            look(ticks[i], std::span<const Draw>(draws).subspan(from, to - from), from, step);
        }
    }
}

}  // namespace

Score score(const Home& home, const MeterAndNode& meter, const std::function<bool(int week)>& is_scored,
            const Namer& namer, std::span<const ToldDraw> said) {
    Score sum;
    walk(
        home, meter, is_scored,
        [&](std::vector<Draw>& draws, Span asked) {
            label_draws_by(namer, draws, meter.pulse_value_l, {.told = said});
            for (const Draw& draw : draws) {
                if (draw.label != DrawLabel::leak) continue;
                const double share = hours_of(overlap(draw.span, asked).length()) /
                                     std::max(1e-6, hours_of(draw.span.length()));
                sum.told_leak_l +=
                    std::clamp(share, 0.0, 1.0) * static_cast<double>(draw.ticks) * meter.pulse_value_l;
            }
        },
        [&](const MadeTick& tick, std::span<const Draw> draws, std::size_t, Duration step) {
            add_tick(sum, home, tick, draws, step);
        });
    return sum;
}

std::vector<Lesson> lessons_of(const Home& home, const MeterAndNode& meter,
                               const std::function<bool(int week)>& is_scored) {
    std::vector<Lesson> all;
    const auto label = [&](std::vector<Draw>& draws, Span) {
        std::erase_if(draws, [](const Draw& draw) { return draw.label == DrawLabel::leak; });
        Lesson lesson{join_uses(draws, meter.pulse_value_l), {}};
        lesson.litres.resize(draws.size());
        all.push_back(std::move(lesson));
    };
    const auto look = [&](const MadeTick& tick, std::span<const Draw> draws, std::size_t from,
                          Duration step) {
        const Instant told = told_at(tick.at, step);
        for (const auto& [event, litres] : tick.litres_of_event) {
            const Draw* draw = told_for(draws, {told - step, told}, home.events[event].span());
            if (!draw) continue;
            all.back().litres[from + static_cast<std::size_t>(draw - draws.data())].at(
                static_cast<std::size_t>(label_of(home.events[event].use))) += litres;
        }
    };
    walk(home, meter, is_scored, label, look);
    return all;
}

std::vector<ToldDay> told_days(const Home& home, const MeterAndNode& meter, const Namer& namer) {
    std::vector<ToldDay> days(static_cast<std::size_t>(home.days));
    const auto day_of = [&](Instant at) {
        const auto day = std::chrono::floor<std::chrono::days>(at - home.from).count();
        return static_cast<std::size_t>(std::clamp<std::int64_t>(day, 0, home.days - 1));
    };
    for (std::size_t i = 0; i < days.size(); ++i)
        days[i].midnight = home.from + hours{24} * static_cast<int>(i);
    for (const simulation::Event& event : home.events)
        days[day_of(event.span().from)].ran.push_back(event);
    walk(
        home, meter, {},
        [&](std::vector<Draw>& draws, Span asked) {
            label_draws_by(namer, draws, meter.pulse_value_l);
            for (const Draw& draw : draws) {
                if (asked.from <= draw.span.from && draw.span.from < asked.to)
                    days[day_of(draw.span.from)].told.push_back(draw);
            }
        },
        [&](const MadeTick& tick, std::span<const Draw> draws, std::size_t, Duration step) {
            Score of_tick;
            add_tick(of_tick, home, tick, draws, step);
            ToldDay& day = days[day_of(tick.at)];
            day.volume_l += of_tick.volume_l;
            day.wrong_l += of_tick.volume_l - of_tick.right_l;
        });
    return days;
}

std::vector<ToldDraw> corrections(const Home& home, const MeterAndNode& meter, const Namer& namer, int week,
                                  std::size_t most) {
    struct Seen {
        Draw draw;
        std::array<double, draw_label_count> litres{};
    };
    std::vector<Seen> seen;
    std::size_t begin = 0;
    walk(
        home, meter, [week](int asked) { return asked == week; },
        [&](std::vector<Draw>& draws, Span) {
            label_draws_by(namer, draws, meter.pulse_value_l);
            begin = seen.size();
            for (const Draw& draw : draws)
                seen.push_back({draw, {}});
        },
        [&](const MadeTick& tick, std::span<const Draw> draws, std::size_t from, Duration step) {
            const Instant told = told_at(tick.at, step);
            for (const auto& [event, litres] : tick.litres_of_event) {
                const Draw* draw = told_for(draws, {told - step, told}, home.events[event].span());
                if (!draw) continue;
                seen[begin + from + static_cast<std::size_t>(draw - draws.data())].litres.at(
                    static_cast<std::size_t>(label_of(home.events[event].use))) += litres;
            }
        });
    const auto all_l = [](const Seen& one) {
        return std::accumulate(one.litres.begin(), one.litres.end(), 0.0);
    };
    std::stable_sort(seen.begin(), seen.end(),
                     [&](const Seen& a, const Seen& b) { return all_l(a) > all_l(b); });
    std::vector<ToldDraw> told;
    for (const Seen& one : seen) {
        const auto best = std::max_element(one.litres.begin(), one.litres.end());
        const auto label = static_cast<DrawLabel>(best - one.litres.begin());
        // Nobody can label a use that is really two at once.
        if (told.size() >= most || *best < 0.8 * all_l(one) || label == one.draw.label) continue;
        if (label == DrawLabel::leak || *best <= 0) continue;
        const double parts = label == DrawLabel::washer ? one.draw.parts : 1;
        const double flow = one.draw.blur > seconds{15} ? 0 : one.draw.mean_flow_l_per_h;
        const double litres = static_cast<double>(one.draw.ticks) * meter.pulse_value_l / parts;
        told.push_back({.at = one.draw.span.from + one.draw.span.length() / 2,
                        .label = label,
                        .volume_ul = std::llround(litres * 1e6),
                        .flow_ml_per_h = std::llround(flow * 1000)});
    }
    return told;
}

}  // namespace tickledger::draws
