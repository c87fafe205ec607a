#include "serve/cost.hpp"

#include <algorithm>
#include <boost/multiprecision/cpp_int.hpp>
#include <limits>

namespace tickledger {

namespace {

using boost::multiprecision::cpp_int;
using boost::multiprecision::cpp_rational;

cpp_rational exactly(Ratio ratio) {
    return {ratio.numerator, ratio.denominator};
}

/// The price in force on this day.
std::optional<Ratio> price_on(const std::vector<DatedPrice>& prices, date::sys_days day) {
    std::optional<Ratio> found;
    for (const DatedPrice& price : prices) {
        if (price.from <= day) found = price.price;
    }
    return found;
}

std::int64_t rounded(const cpp_rational& value) {
    const cpp_int denominator_of = denominator(value);
    cpp_int quotient = numerator(value) / denominator_of;
    cpp_int rest = numerator(value) % denominator_of;
    if (rest < 0) {
        rest += denominator_of;
        quotient -= 1;
    }
    if (2 * rest > denominator_of || (2 * rest == denominator_of && quotient % 2 != 0)) quotient += 1;
    return quotient.convert_to<std::int64_t>();
}

/// The standing charges of a row's days.
cpp_rational standing_charges(Span row, const TariffSettings& tariff, const CivilZone& zone) {
    cpp_rational sum = 0;
    for (Instant day = row.from; day < row.to; day = zone.row_at(Step::day, {}, day).to) {
        if (const auto charge = price_on(tariff.standing_charge_per_day, zone.date_of(day)))
            sum += exactly(*charge);
    }
    return sum;
}

}  // namespace

Result<std::optional<std::string>> cost_of(Span row, Step step, std::int64_t ticks, const PulseValues& values,
                                           const TariffSettings& tariff, const CivilZone& zone,
                                           const TicksOfRow& ticks_of_row) {
    std::vector<Instant> ends;
    for (const DatedPrice& price : tariff.price_per_m3) {
        const Instant from = zone.start_of(price.from);
        if (from > row.from && from < row.to) ends.push_back(from);
    }
    ends.push_back(row.to);
    std::sort(ends.begin(), ends.end());

    cpp_rational sum = 0;
    Instant from = row.from;
    for (const Instant end : ends) {
        const auto price = price_on(tariff.price_per_m3, zone.date_of(from));
        if (!price) return std::optional<std::string>{};
        std::int64_t part = ticks;
        if (end != row.to) {
            const auto counted = ticks_between(from, end, zone, ticks_of_row);
            if (!counted) return tl::unexpected(counted.error());
            part = *counted;
        }
        ticks -= part;
        const auto valued = valued_row({from, end}, part, values, zone, ticks_of_row);
        if (!valued) return tl::unexpected(valued.error());
        for (const ValuedTicks& one : *valued)
            sum += exactly(one.pulse_value_l) * one.ticks * exactly(*price) / 1000;
        from = end;
    }
    if (step != Step::interval && step != Step::hour) sum += standing_charges(row, tariff, zone);
    return std::optional(decimal(rounded(sum * 10'000), digits_cost));
}

}  // namespace tickledger
