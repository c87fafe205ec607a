// Lines in the journal about messages that book nothing.
#include "service/odd_lines.hpp"

#include <catch2/catch.hpp>

using namespace tickledger;
using namespace std::chrono_literals;

namespace {

OddMessage unreadable(const std::string& topic = "nodes/cellar/water") {
    return {OddMessage::Kind::unreadable, "house", topic, "The payload is not JSON."};
}

const OddLines::Time start{100h};

}  // namespace

TEST_CASE("the journal was empty while all seven messages were unreadable, so a line has topic and remedy") {
    OddLines lines;
    const auto line = lines.pass(unreadable(), start);
    REQUIRE(line);
    CHECK_THAT(*line, Catch::Contains("house") && Catch::Contains("nodes/cellar/water") &&
                          Catch::Contains("The payload is not JSON.") && Catch::Contains("`fields`") &&
                          Catch::Contains("tickledger ledger house"));
    const auto stray =
        lines.pass({OddMessage::Kind::stray, "house", "nodes/cellar/water", "7 fits nothing"}, start);
    REQUIRE(stray);
    CHECK_THAT(*stray, Catch::Contains("7 fits nothing") && Catch::Contains("cable"));
    const auto unmatched = lines.pass({OddMessage::Kind::unmatched, "", "nodes/Flat_7/water", ""}, start);
    REQUIRE(unmatched);
    CHECK_THAT(*unmatched, Catch::Contains("nodes/Flat_7/water") && Catch::Contains("small letters"));
}

TEST_CASE("a board that sends nonsense every second gets one line an hour, with the number of messages") {
    OddLines lines;
    int written = 0;
    std::string last;
    for (auto passed = 0s; passed <= 3600s; passed += 1s) {
        OddMessage message = unreadable();
        message.text = "It goes wrong at byte " + std::to_string(passed.count()) + ".";
        if (const auto line = lines.pass(message, start + passed)) {
            ++written;
            last = *line;
        }
    }
    CHECK(written == 2);
    CHECK_THAT(last, Catch::Contains("3599 more"));
    // Another topic gets its own line.
    CHECK(lines.pass(unreadable("nodes/attic/water"), start + 3601s));
    // Hours later the line is written again, without a count of omitted ones.
    const auto later = lines.pass(unreadable(), start + 3h);
    REQUIRE(later);
    CHECK_THAT(*later, !Catch::Contains("more like it"));
}

TEST_CASE("many messages with new topics fill neither memory nor the journal") {
    OddLines lines;
    std::size_t written = 0;
    std::string last;
    for (int i = 0; i < 5000; ++i) {
        const OddMessage message{OddMessage::Kind::unmatched, "", "x/" + std::to_string(i), ""};
        if (const auto line = lines.pass(message, start)) {
            ++written;
            last = *line;
        }
    }
    CHECK(written == OddLines::lines_max);
    CHECK_THAT(last, Catch::Contains("tickledger health"));
    CHECK(lines.pass({OddMessage::Kind::unmatched, "", "x/late", ""}, start + 1h));
}
