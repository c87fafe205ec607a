#include "core/quantile.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>

using namespace tickledger;

TEST_CASE("of an even number of values the upper one is the median") {
    CHECK(median({3}) == 3);
    CHECK(median({2, 1}) == 2);
    CHECK(median({4, 1, 3, 2}) == 3);
    CHECK(quantile({5, 4, 3, 2, 1}, 0.2) == 2);
}

TEST_CASE("the ends of the values are their quantiles 0 and 1") {
    CHECK(quantile({3, 1, 2}, 0) == 1);
    CHECK(quantile({3, 1, 2}, 1) == 3);
}

TEST_CASE("a quantile is one of the values, with its share of them below it and the rest above") {
    rc::prop("whatever the values and the share", [] {
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
