#include <catch2/catch.hpp>

#include "link/address.hpp"

using namespace tickledger;

TEST_CASE("broker addresses are parsed, with the ports registered with IANA as defaults") {
    // IANA Service Name and Transport Protocol Port Number Registry: mqtt 1883, secure-mqtt 8883.
    CHECK(parse_broker_address("mqtt://broker.example")->server_uri() == "tcp://broker.example:1883");
    CHECK(parse_broker_address("mqtts://broker.example")->server_uri() == "ssl://broker.example:8883");
    CHECK(parse_broker_address("mqtt://127.0.0.1:1884/")->server_uri() == "tcp://127.0.0.1:1884");
    CHECK(parse_broker_address("mqtts://[::1]:8884")->server_uri() == "ssl://[::1]:8884");
    CHECK(parse_broker_address("mqtt://[fe80::2]")->host == "fe80::2");
}

TEST_CASE("invalid broker addresses are refused in words") {
    const auto words = [](const char* url) { return parse_broker_address(url).error().text; };
    CHECK_THAT(words("http://x"), Catch::Contains("neither mqtt:// nor mqtts://"));
    CHECK_THAT(words("mqtt://"), Catch::Contains("has no host"));
    CHECK_THAT(words("mqtt://a:b@host"), Catch::Contains("broker.username"));
    CHECK_THAT(words("mqtt://host/path"), Catch::Contains("more than a host and a port"));
    CHECK_THAT(words("mqtt://[::1"), Catch::Contains("bracket"));
    for (const char* url :
         {"mqtt://host:0", "mqtt://host:65536", "mqtt://host:", "mqtt://host:18x", "mqtt://[::1]1883"}) {
        CHECK_THAT(words(url), Catch::Contains("1 to 65535"));
    }
}
