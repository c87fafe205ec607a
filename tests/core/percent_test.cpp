#include "core/percent.hpp"

#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <string>

using namespace tickledger;

TEST_CASE("RFC 3986 section 2.3: unreserved characters stay, every other byte becomes a code") {
    const std::string unreserved = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~";
    CHECK(percent_encode(unreserved) == unreserved);
    CHECK(percent_encode(" /?#%+") == "%20%2F%3F%23%25%2B");
    for (int byte = 0; byte < 256; ++byte) {
        const std::string one(1, static_cast<char>(byte));
        if (unreserved.find(one) == std::string::npos) CHECK(percent_encode(one).size() == 3);
    }
}

TEST_CASE("RFC 3986 section 2.1: a code is a percent sign and two hexadecimal digits, of either case") {
    CHECK(percent_decode("a%41") == "aA");
    CHECK(percent_decode("%c3%BC") == "ü");
    CHECK(percent_decode("a+b") == "a+b");
    for (const auto* damaged : {"%", "%4", "a%4", "%4g", "%g4", "%%41"})
        CHECK_FALSE(percent_decode(damaged));
    rc::prop("what was encoded is read back",
             [](const std::string& text) { RC_ASSERT(percent_decode(percent_encode(text)) == text); });
}
