// Compares the draws of some simulated houses, line by line, with stored results. After a change of the
// method, this test shows the changed lines. If the change is intended, write and commit the new results:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/draws/tests_draws 'what is told*'
//
// ./tests/draws/study measures how often the labels are right.
#include <fmt/format.h>

#include <array>
#include <catch2/catch.hpp>
#include <chrono>
#include <cmath>
#include <random>
#include <sstream>

#include "draws/score.hpp"
#include "support/told_before.hpp"
#include "tickledger/message.hpp"
#include "tickledger/time.hpp"

using namespace tickledger;
using namespace tickledger::draws;
using std::chrono::minutes;

namespace {

struct Told {
    std::string name;
    Home home;
    MeterAndNode meter;
};

std::vector<Told> houses() {
    const int days = 9;
    return {
        {"each tick, 1 L", wild_home(41'000'010, days), {1, {}}},
        {"each tick, 1 L, a bath", wild_home(41'000'015, days), {1, {}}},
        {"1 min, 0.1 L", wild_home(41'000'010, days), {0.1, minutes{1}}},
        {"3 min, 1 L", wild_home(41'000'015, days), {1, minutes{3}}},
        {"each tick, 1 L, a leak of 20 L/h", with_leak(wild_home(41'000'004, days), 20, 5), {1, {}}},
    };
}

void tell(std::ostream& out, const Told& told) {
    out << "# " << told.name
        << ": seconds of the day, blur, ticks, label, confidence, times that water ran, flow\n";
    for (const ToldDay& day : told_days(told.home, told.meter, taught_namer())) {
        out << "## " << format_utc(day.midnight).substr(0, 10) << '\n';
        for (const Draw& draw : day.told) {
            const double at_s = std::chrono::duration<double>(draw.span.from - day.midnight).count();
            // Confidence to the hundredth, because its last bits depend on the library.
            out << fmt::format("{:.0f}+{:.0f} s, {:.0f} s: {} {} {:.2f}", at_s,
                               std::chrono::duration<double>(draw.span.length()).count(),
                               std::chrono::duration<double>(draw.blur).count(), draw.ticks,
                               name_of(draw.label), draw.confidence);
            if (draw.parts > 1) out << fmt::format(" in {}", draw.parts);
            if (draw.ticks > 1) {
                out << fmt::format(" at {:.0f} to {:.0f} L/h", draw.mean_flow_l_per_h,
                                   draw.peak_flow_l_per_h);
            }
            out << '\n';
        }
    }
}

/// Only the sums of more houses, by label: uses, ticks, confidences in hundredths, seconds and flows.
void tell_sums(std::ostream& out) {
    constexpr std::uint64_t first_seed = 41'000'100;
    constexpr std::uint64_t houses = 32;
    const std::array<MeterAndNode, 4> meters = {
        {{1, {}}, {0.1, minutes{1}}, {1, minutes{3}}, {0.5, minutes{2}}}};
    out << "# sums of each label: uses, ticks, hundredths of confidence, seconds, litres an hour\n";
    for (std::uint64_t n = 0; n < houses; ++n) {
        struct Sum {
            std::int64_t uses = 0, ticks = 0, hundredths = 0, seconds = 0, l_per_h = 0;
        };
        std::array<Sum, draw_label_count> sums{};
        const MeterAndNode& meter = meters.at(n % meters.size());
        for (const ToldDay& day : told_days(wild_home(first_seed + n, 9), meter, taught_namer())) {
            for (const Draw& draw : day.told) {
                Sum& sum = sums.at(static_cast<std::size_t>(draw.label));
                ++sum.uses;
                sum.ticks += static_cast<std::int64_t>(draw.ticks);
                sum.hundredths += std::lround(100 * draw.confidence);
                sum.seconds += std::chrono::duration_cast<std::chrono::seconds>(draw.span.length()).count();
                if (draw.ticks > 1) sum.l_per_h += std::lround(draw.mean_flow_l_per_h);
            }
        }
        out << fmt::format("house {}, meter {}:", n, n % meters.size());
        for (std::size_t label = 0; label < sums.size(); ++label) {
            const Sum& sum = sums.at(label);
            if (sum.uses == 0) continue;
            out << fmt::format(" {} {} {} {} {} {};", name_of(static_cast<DrawLabel>(label)), sum.uses,
                               sum.ticks, sum.hundredths, sum.seconds, sum.l_per_h);
        }
        out << '\n';
    }
}

/// The mean and the mean square of each feature over all uses. They show changes that do not change a label.
void tell_features(std::ostream& out) {
    const std::array<MeterAndNode, 5> meters = {
        {{1, {}}, {0.1, {}}, {0.1, minutes{1}}, {1, minutes{3}}, {10, minutes{15}}}};
    out << "# numbers of all uses: mean, mean square\n";
    for (std::size_t n = 0; n < meters.size(); ++n) {
        std::array<double, feature_count> sums{}, squares{};
        double uses = 0;
        for (Lesson& lesson : lessons_of(wild_home(41'000'200 + n, 9), meters.at(n))) {
            (void)shares_of(lesson.seen, taught_namer());
            for (const Features& features : lesson.seen.features) {
                ++uses;
                for (std::size_t i = 0; i < feature_count; ++i) {
                    sums.at(i) += features.at(i);
                    squares.at(i) += std::pow(features.at(i), 2);
                }
            }
        }
        for (std::size_t i = 0; i < feature_count; ++i)
            out << fmt::format("meter {}, {}: {:.6g} {:.6g}\n", n, i, sums.at(i) / uses,
                               squares.at(i) / uses);
    }
}

/// The labels after people corrected the largest wrong uses of the second week.
void tell_taught(std::ostream& out) {
    const Home home = wild_home(41'000'009, 14);
    const MeterAndNode meter{1, {}};
    const auto said = corrections(home, meter, taught_namer(), 1, 10);
    const Score score = draws::score(home, meter, {}, taught_namer(), said);
    out << "# after ten corrections, litres by what they were and as what they were told\n";
    for (const auto& row : score.confusion_l) {
        for (const double litres : row)
            out << fmt::format(" {:.1f}", litres);
        out << '\n';
    }
}

/// Random draws that did not come from water. They are few or many, on a grid of half minutes, and some
/// repeat the same volume and flow. No simulated house has such lists.
class WildDraws {
public:
    explicit WildDraws(std::uint64_t seed) : engine_(seed) {
        pulse_value_l = std::array{1.0, 0.1, 0.5, 10.0}.at(below(4));
        blur_ = seconds{std::array{1, 1, 60, 180, 900}.at(below(5))};
        const std::uint64_t count = std::array<std::uint64_t, 5>{1, 3, 20, 60, 150}.at(below(5));
        Instant at = Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}} + minutes{below(2'000)};
        for (std::uint64_t n = 0; n < count; ++n) {
            at += seconds{30} * static_cast<int>(below(below(3) == 0 ? 2'000 : 40));
            // Now and then a pause that is exactly as long as one that is ignored.
            if (n > 0 && below(8) == 0) at = draws.back().span.to + seconds{1};
            draws.push_back(draw_at(at));
            if (below(9) == 0) said.push_back(said_of(draws.back()));
        }
    }

    std::vector<Draw> draws;
    std::vector<ToldDraw> said;
    double pulse_value_l = 1;

private:
    using seconds = std::chrono::seconds;
    std::uint64_t below(std::uint64_t bound) { return engine_() % bound; }

    Draw draw_at(Instant at) {
        const double litres =
            std::array{0.0, 1.0, 3.0, 6.0, 6.0, 6.0, 9.0, 12.0, 45.0, 90.0, 150.0, 600.0}.at(below(12));
        const double l_per_h = std::array{90.0, 240.0, 480.0, 480.0, 600.0, 900.0, 1500.0}.at(below(7));
        Draw draw;
        draw.ticks =
            std::max<std::int64_t>(std::lround(litres / pulse_value_l) + static_cast<int>(below(3)) - 1, 1);
        const double l = static_cast<double>(draw.ticks) * pulse_value_l;
        const auto runs = std::chrono::round<seconds>(std::chrono::duration<double>(3600 * l / l_per_h));
        draw.span = {at, at + std::max<Duration>(runs, blur_)};
        draw.blur = blur_;
        draw.overlaps = below(12) == 0;
        if (draw.ticks > 1 && below(6) != 0) {
            draw.mean_flow_l_per_h = l_per_h;
            draw.peak_flow_l_per_h = l_per_h * static_cast<double>(4 + below(2)) / 4;
        }
        return draw;
    }
    ToldDraw said_of(const Draw& draw) {
        const auto volume_ul =
            static_cast<std::int64_t>(static_cast<double>(draw.ticks) * pulse_value_l * 1e6);
        return {draw.span.from + draw.span.length() / 2, static_cast<DrawLabel>(below(draw_label_count)),
                below(2) == 0 ? "mine" : "", volume_ul, std::lround(draw.mean_flow_l_per_h * 1000)};
    }

    std::mt19937_64 engine_;
    Duration blur_{};
};

/// For each list the number of uses, a fingerprint of their features (to the thousandth) and one of the
/// labels.
void tell_wild(std::ostream& out) {
    constexpr std::uint64_t lists = 240;
    out << "# wild lists: draws, uses, what is known of them, labels\n";
    for (std::uint64_t seed = 1; seed <= lists; ++seed) {
        WildDraws wild(seed);
        std::vector<Draw> joined = wild.draws;
        UsesSeen seen = join_uses(joined, wild.pulse_value_l);
        (void)shares_of(seen, taught_namer());
        std::string known;
        for (const Features& features : seen.features) {
            for (const float feature : features)
                known += fmt::format("{} ", std::lround(1000 * static_cast<double>(feature)));
        }
        label_draws(wild.draws, wild.pulse_value_l, {.told = wild.said});
        std::string labels;
        for (const Draw& draw : wild.draws)
            labels += fmt::format("{} {} {} {} {:.2f} {}\n", microseconds_of(draw.span.from), draw.ticks,
                                  draw.parts, name_of(draw.label), draw.confidence, draw.name);
        out << fmt::format("list {}: {}, {}, {:016x}, {:016x}\n", seed, wild.draws.size(), seen.uses.size(),
                           fingerprint(known), fingerprint(labels));
    }
}

}  // namespace

TEST_CASE("what is told of these houses is what was told of them before") {
    std::stringstream now;
    for (const Told& told : houses())
        tell(now, told);
    tell_sums(now);
    tell_features(now);
    tell_taught(now);
    tell_wild(now);
    tickledger::test::check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/draws/draws_told.txt", 500);
}
