// The distance between words, and the word that was meant.
#include "core/spelling.hpp"

#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <string>

using namespace tickledger;

namespace {

/// The same distance computed by its definition (optimal string alignment), without a table.
std::size_t distance_by_definition(std::string_view a, std::string_view b) {
    if (a.empty() || b.empty()) return std::max(a.size(), b.size());
    const auto less = [](std::string_view text, std::size_t n) { return text.substr(0, text.size() - n); };
    const std::size_t change = a.back() == b.back() ? 0 : 1;
    std::size_t least =
        std::min({distance_by_definition(less(a, 1), b) + 1, distance_by_definition(a, less(b, 1)) + 1,
                  distance_by_definition(less(a, 1), less(b, 1)) + change});
    if (a.size() > 1 && b.size() > 1 && a.back() == b[b.size() - 2] && b.back() == a[a.size() - 2])
        least = std::min(least, distance_by_definition(less(a, 2), less(b, 2)) + 1);
    return least;
}

}  // namespace

TEST_CASE("the distance between words is the number of slips that turn one into the other") {
    CHECK(edit_distance("", "abc") == 3);
    CHECK(edit_distance("kitten", "sitting") == 3);
    CHECK(edit_distance("topci", "topic") == 1);
    CHECK(edit_distance("same", "same") == 0);
    rc::prop("equal to the definition", [] {
        const auto word =
            rc::gen::resize(6, rc::gen::container<std::string>(rc::gen::elementOf(std::string("abc"))));
        const auto a = *word;
        const auto b = *word;
        RC_ASSERT(edit_distance(a, b) == distance_by_definition(a, b));
    });
}

TEST_CASE("the nearest word is given only if it is near enough") {
    CHECK(nearest("intervall", {"id", "interval", "cadence"}) == "interval");
    CHECK(nearest("checkpoint", {"checkpoint_ticks", "cadence"}) == std::nullopt);
    CHECK(nearest("xy", {"id", "interval"}) == std::nullopt);
    CHECK(nearest(std::string(1'000'000, 'a'), {"id"}) == std::nullopt);
    // Short words allow one slip, words of four letters two, words of nine letters three.
    CHECK(nearest("it", {"id"}) == "id");
    CHECK(nearest("xt", {"id"}) == std::nullopt);
    CHECK(nearest("tp", {"time"}) == std::nullopt);
    CHECK(nearest("tide", {"time"}) == "time");
    CHECK(nearest("xide", {"time"}) == "time");
    CHECK(nearest("xidx", {"time"}) == std::nullopt);
    CHECK(nearest("cadencexyz", {"cadence12"}) == "cadence12");
    // The first of equally near words is taken, but a nearer one after it wins.
    CHECK(nearest("flat-1", {"flat-2", "flat-3"}) == "flat-2");
    CHECK(nearest("flat-31", {"flat-2", "flat-3"}) == "flat-3");
    CHECK(nearest(std::string(64, 'a'), {std::string_view("b"), "c"}) == std::nullopt);
    const std::string long_word(64, 'a');
    CHECK(nearest(long_word, {long_word}) == long_word);
    CHECK(nearest(long_word + "a", {long_word}) == std::nullopt);
}
