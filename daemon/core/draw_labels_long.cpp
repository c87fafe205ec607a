// What the house's long uses are like at each flow. Showers, hoses, baths and tubs last about equally long.
// The other uses at the same flow tell them apart: showers at one head differ in volume, a tub never does,
// and a house showers on most days.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "core/draw_labels.hpp"
#include "core/quantile.hpp"

namespace tickledger {

namespace {

constexpr double least_litres = 8;
/// Showers at one head differ by 16 % in flow (DAIAD open data).
constexpr double one_flow = 0.15;
constexpr double one_volume = 0.12;

}  // namespace

LongUses::LongUses(std::vector<LongUse> uses, double quiet_s, double days)
    : uses_(std::move(uses)), days_(days) {
    std::erase_if(uses_, [](const LongUse& use) {
        return use.litres < least_litres || use.l_per_min <= 0 || use.weight < 0.2;
    });
    std::vector<double> flows;
    for (LongUse& use : uses_) {
        use.hour = std::fmod(use.from_s - quiet_s + 2 * 86400, 86400) / 86400 * 2 * std::numbers::pi;
        flows.push_back(std::log(use.l_per_min));
    }
    if (flows.empty()) return;
    slow_ = quantile(flows, 0.2);
    middle_ = median(flows);
}

LongUses::About LongUses::about(const LongUse& use) const {
    About about;
    if (use.l_per_min <= 0) return about;
    const double flow = std::log(use.l_per_min);
    const double litres = std::log(use.litres);
    double all = 0, slower = 0, here = 0, alike = 0, sum = 0, squares = 0, pauses = 0, sines = 0, cosines = 0;
    double days = 0;
    double last_day = -1;
    for (const LongUse& other : uses_) {
        if (other.from_s == use.from_s) continue;
        const double off = std::log(other.l_per_min) - flow;
        all += other.weight;
        if (off < 0) slower += other.weight;
        if (std::abs(off) > one_flow + 0.5 * (use.doubt + other.doubt)) continue;
        const double off_litres = std::log(other.litres) - litres;
        here += other.weight;
        if (std::abs(off_litres) <= one_volume) alike += other.weight;
        sum += other.weight * off_litres;
        squares += other.weight * off_litres * off_litres;
        pauses += other.weight * other.pauses;
        sines += other.weight * std::sin(other.hour);
        cosines += other.weight * std::cos(other.hour);
        const double day = std::floor(other.from_s / 86400);
        if (day != last_day) ++days;
        last_day = day;
    }
    about.faster_than = (slower + 0.5) / (all + 1);
    about.to_slow = uses_.empty() ? 9 : flow - slow_;
    about.to_middle = uses_.empty() ? 9 : flow - middle_;
    about.a_day = std::log((here + 0.3) / days_);
    about.of_all = (here + 0.3) / (all + 1);
    about.on_days = (days + 0.3) / (days_ + 1);
    about.alike = (alike + 0.2) / (here + 1);
    if (here < 2) return about;
    const double mean = sum / here;
    about.larger = -mean;
    about.spread = std::sqrt(std::max(0.0, squares / here - mean * mean));
    about.pauses = pauses / here;
    about.hour_sine = sines / here;
    about.hour_cosine = cosines / here;
    return about;
}

}  // namespace tickledger
