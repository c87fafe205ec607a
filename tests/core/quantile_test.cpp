#include "core/quantile.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>

using namespace tickledger;

TEST_CASE("the median of an even number of values is the upper of the middle two") {
    CHECK(median({3}) == 3);
    CHECK(median({2, 1}) == 2);
    CHECK(median({4, 1, 3, 2}) == 3);
    CHECK(quantile({5, 4, 3, 2, 1}, 0.2) == 2);
}

TEST_CASE("the quantiles 0 and 1 are the smallest and the largest value") {
    CHECK(quantile({3, 1, 2}, 0) == 1);
    CHECK(quantile({3, 1, 2}, 1) == 3);
}

TEST_CASE("a quantile is one of the values, with its share of the values below it and the rest above") {
    rc::prop("for any values and any share", [] {
        const auto values = *rc::gen::nonEmpty<std::vector<double>>();
        const double share = *rc::gen::inRange(0, 101) / 100.0;
        const double found = quantile(values, share);
        const auto below = std::count_if(values.begin(), values.end(), [&](double x) { return x < found; });
        const auto upto = std::count_if(values.begin(), values.end(), [&](double x) { return x <= found; });
        const double wanted = share * static_cast<double>(values.size());
        RC_ASSERT(static_cast<double>(below) <= wanted);
        RC_ASSERT(static_cast<double>(upto) >= std::min(wanted, static_cast<double>(values.size())));
    });
}
