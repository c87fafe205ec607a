// Base64 against the test vectors of RFC 4648, section 10.
#include "core/base64.hpp"

#include <catch2/catch.hpp>
#include <utility>

using namespace tickledger;

TEST_CASE("base64 writes and reads the vectors of RFC 4648, section 10") {
    using Vector = std::pair<std::string, std::string>;
    const auto [bytes, text] =
        GENERATE(Vector{"", ""}, Vector{"f", "Zg=="}, Vector{"fo", "Zm8="}, Vector{"foo", "Zm9v"},
                 Vector{"foob", "Zm9vYg=="}, Vector{"fooba", "Zm9vYmE="}, Vector{"foobar", "Zm9vYmFy"});
    CHECK(to_base64(bytes) == text);
    CHECK(from_base64(text) == bytes);
}

TEST_CASE("base64 preserves any bytes") {
    std::string bytes;
    for (int i = 0; i < 256; ++i)
        bytes += static_cast<char>(i);
    CHECK(from_base64(to_base64(bytes)) == bytes);
}

TEST_CASE("invalid base64 is refused") {
    CHECK_FALSE(from_base64("Zg"));        // Not a multiple of four.
    CHECK_FALSE(from_base64("Z-9v"));      // The alphabet of section 5.
    CHECK_FALSE(from_base64("Zg==Zm9v"));  // Padding in the middle.
    CHECK_FALSE(from_base64("===="));
    CHECK_FALSE(from_base64("Z==="));
}
