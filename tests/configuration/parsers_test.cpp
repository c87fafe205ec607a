// Whether two ids or two filters can overlap, and which word was probably meant.
#include <rapidcheck.h>
#include <rapidcheck/catch.h>

#include <catch2/catch.hpp>
#include <string>

#include "configuration/parsers.hpp"
#include "tickledger/message.hpp"

using namespace tickledger;

namespace {

std::string joined_levels(const std::vector<std::string>& levels) {
    std::string topic;
    for (const auto& level : levels)
        topic += (topic.empty() ? "" : "/") + level;
    return topic;
}

}  // namespace

TEST_CASE("Filters overlap if a topic matches both", "[configuration]") {
    // The examples of MQTT 3.1.1 section 4.7.1, and others.
    CHECK(filters_overlap("sport/tennis/player1/#", "sport/tennis/player1"));
    CHECK(filters_overlap("sport/tennis/+", "sport/+/player1"));
    CHECK(filters_overlap("sport/+", "sport/"));
    CHECK(filters_overlap("#", "a/b/c"));
    CHECK(filters_overlap("a/#", "a/b/#"));
    CHECK_FALSE(filters_overlap("sport/+", "sport"));
    CHECK_FALSE(filters_overlap("sport/tennis/+", "sport/tennis/player1/ranking"));
    CHECK_FALSE(filters_overlap("a/b", "a/c"));
    CHECK_FALSE(filters_overlap("a/#", "b/#"));
}

TEST_CASE("Any two filters that match one topic overlap", "[configuration][property]") {
    rc::prop("topic_matches(a, t) and topic_matches(b, t) implies filters_overlap(a, b)", [] {
        const auto topic = *rc::gen::nonEmpty(
            rc::gen::container<std::vector<std::string>>(rc::gen::element<std::string>("a", "b", "cc")));
        const auto loosen = [&] {
            auto levels = topic;
            for (auto& level : levels) {
                if (*rc::gen::inRange(0, 3) == 0) level = "+";
            }
            if (*rc::gen::arbitrary<bool>()) {
                levels.resize(*rc::gen::inRange<std::size_t>(0, levels.size() + 1));
                levels.emplace_back("#");
            }
            return joined_levels(levels);
        };
        const std::string a = loosen();
        const std::string b = loosen();
        RC_ASSERT(topic_matches(a, joined_levels(topic)));
        RC_ASSERT(topic_matches(b, joined_levels(topic)));
        RC_ASSERT(filters_overlap(a, b));
        RC_ASSERT(filters_overlap(b, a));
        RC_ASSERT(parse_topic_filter(a).has_value());
    });
}

TEST_CASE("Ids overlap if some text makes them equal", "[configuration]") {
    CHECK(ids_overlap("house", "house"));
    CHECK(ids_overlap("flat-{1}", "flat-12"));
    CHECK(ids_overlap("flat-12", "flat-{1}"));
    CHECK(ids_overlap("{1}", "anything"));
    CHECK(ids_overlap("flat-{1}", "{1}-cold"));
    CHECK_FALSE(ids_overlap("house", "houses"));
    CHECK_FALSE(ids_overlap("flat-{1}", "shop-12"));
    CHECK_FALSE(ids_overlap("{1}-hot", "{1}-cold"));
    CHECK_FALSE(ids_overlap("aba{1}aba", "aba"));
}

TEST_CASE("Any two patterns that match one id overlap", "[configuration][property]") {
    rc::prop("two patterns of one id overlap", [] {
        const auto id = *rc::gen::nonEmpty(rc::gen::container<std::string>(rc::gen::element('a', 'b', '-')));
        const auto loosen = [&] {
            const auto from = *rc::gen::inRange<std::size_t>(0, id.size());
            const auto to = *rc::gen::inRange<std::size_t>(from + 1, id.size() + 1);
            return *rc::gen::arbitrary<bool>() ? id : id.substr(0, from) + "{1}" + id.substr(to);
        };
        RC_ASSERT(ids_overlap(loosen(), loosen()));
    });
}
