#include "tickledger/pulse_value.hpp"

#include <algorithm>
#include <boost/multiprecision/cpp_int.hpp>
#include <limits>
#include "core/rounding.hpp"

namespace tickledger {

namespace {

__extension__ using Wide = __int128;
using boost::multiprecision::cpp_int;
using boost::multiprecision::cpp_rational;

constexpr std::int64_t microlitres_in_a_litre = 1'000'000;

}  // namespace

PulseValues::PulseValues(Ratio first, std::vector<PulseValueChange> changes) : first_(first) {
    std::stable_sort(changes.begin(), changes.end(),
                     [](const PulseValueChange& a, const PulseValueChange& b) { return a.from < b.from; });
    for (const PulseValueChange& change : changes) {
        if (!changes_.empty() && changes_.back().from == change.from) changes_.pop_back();
        changes_.push_back(change);
    }
}

Ratio PulseValues::at(Instant row_begin) const {
    Ratio value = first_;
    for (const PulseValueChange& change : changes_) {
        if (change.from > row_begin) break;
        value = change.pulse_value_l;
    }
    return value;
}

Ratio PulseValues::least_in(Span span) const {
    Ratio least = at(span.from);
    for (const PulseValueChange& change : changes_) {
        const bool holds = change.from > span.from && change.from < span.to;
        if (holds && change.pulse_value_l.value() < least.value()) least = change.pulse_value_l;
    }
    return least;
}

std::int64_t scaled_volume(std::span<const ValuedTicks> valued, Ratio offset_l, std::int64_t litres_per_unit,
                           int digits) {
    if (valued.size() == 1) {
        return scaled_volume(valued[0].ticks, valued[0].pulse_value_l, offset_l, litres_per_unit, digits);
    }
    cpp_rational sum(offset_l.numerator, offset_l.denominator);
    for (const ValuedTicks& part : valued) {
        sum += cpp_rational(part.pulse_value_l.numerator, part.pulse_value_l.denominator) * part.ticks;
    }
    sum *=
        cpp_rational(boost::multiprecision::pow(cpp_int(10), static_cast<unsigned>(digits)), litres_per_unit);
    return rounded<cpp_int>(numerator(sum), denominator(sum));
}

double volume_l(std::span<const ValuedTicks> valued) {
    double sum = 0;
    for (const ValuedTicks& part : valued)
        sum += static_cast<double>(part.ticks) * part.pulse_value_l.value();
    return sum;
}

std::int64_t nearest_ticks(std::int64_t volume_ul, Ratio pulse_value_l) {
    return rounded<Wide>(Wide{volume_ul} * pulse_value_l.denominator,
                         Wide{pulse_value_l.numerator} * microlitres_in_a_litre);
}

}  // namespace tickledger
