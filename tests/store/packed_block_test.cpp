// Bytes of packed days: everything reads back bit for bit, and arbitrary bytes are refused with a reason.
#include "store/packed_block.hpp"

#include <zlib.h>

#include <algorithm>
#include <catch2/catch.hpp>

#include <rapidcheck/catch.h>

using namespace tickledger;

namespace {

constexpr std::int64_t day = 20'000;
constexpr std::int64_t day_us = 86'400'000'000;

std::uint64_t any_number() {
    return *rc::gen::oneOf(rc::gen::inRange<std::uint64_t>(0, 10), rc::gen::arbitrary<std::uint64_t>(),
                           rc::gen::element<std::uint64_t>(0, ~std::uint64_t{0}, std::uint64_t{1} << 63));
}

PackedBlock any_block() {
    PackedBlock block;
    const bool is_regular = *rc::gen::arbitrary<bool>();
    const auto size = *rc::gen::inRange<std::int64_t>(0, 40);
    for (std::int64_t at = 0; at < size; ++at) {
        NumberedEntry entry;
        const auto end_us = is_regular ? at * 900'000'000 : *rc::gen::inRange<std::int64_t>(0, day_us);
        entry.entry.span.to = start_of_day(day) + Duration{end_us};
        entry.entry.span.from =
            entry.entry.span.to -
            Duration{is_regular ? 900'000'000 : *rc::gen::inRange<std::int64_t>(0, 400 * day_us)};
        entry.entry.ticks = static_cast<std::int64_t>(any_number());
        entry.entry.time_estimated = *rc::gen::arbitrary<bool>();
        if (*rc::gen::arbitrary<bool>()) entry.entry.unseen_max = any_number();
        entry.entry.begin_count = any_number();
        entry.entry.end = {any_number(), any_number(), any_number()};
        entry.n = *rc::gen::inRange<std::int64_t>(0, 3);
        block.entries.push_back(entry);
        const auto start_us = is_regular ? at * 900'000'000 : *rc::gen::inRange<std::int64_t>(0, day_us);
        block.rows.push_back(
            {start_of_day(day) + Duration{start_us},
             {static_cast<std::int64_t>(any_number()), Duration{static_cast<std::int64_t>(any_number())},
              static_cast<std::int64_t>(any_number()), static_cast<std::int64_t>(any_number())}});
    }
    const auto stands_before = [](const auto& a, const auto& b) {
        if constexpr (std::is_same_v<decltype(a), const TimedRow&>) {
            return a.start < b.start;
        } else {
            return comes_before(a, b);
        }
    };
    const auto in_order = [&](auto& all) {
        std::sort(all.begin(), all.end(), stands_before);
        const auto are_of_one_key = [&](const auto& a, const auto& b) { return !stands_before(a, b); };
        all.erase(std::unique(all.begin(), all.end(), are_of_one_key), all.end());
    };
    in_order(block.entries);
    in_order(block.rows);
    return block;
}

std::string compressed(const std::string& text) {
    uLongf size = compressBound(text.size());
    std::string bytes(size, '\0');
    REQUIRE(compress(reinterpret_cast<Bytef*>(bytes.data()), &size,
                     reinterpret_cast<const Bytef*>(text.data()), text.size()) == Z_OK);
    bytes.resize(size);
    return bytes;
}

}  // namespace

TEST_CASE("a packed block reads back bit for bit, whatever its numbers are") {
    rc::prop("random blocks", [] {
        const PackedBlock block = any_block();
        const auto again = unpack(pack(block, {day}), {day});
        RC_ASSERT(again.has_value());
        RC_ASSERT(*again == block);
    });
}

TEST_CASE("a packed block with changed bytes is refused with a reason, or reads back unchanged") {
    rc::prop("random damage", [] {
        const PackedBlock block = any_block();
        std::string bytes = pack(block, {day});
        const auto damages = *rc::gen::inRange(1, 4);
        for (int i = 0; i < damages; ++i)
            bytes[*rc::gen::inRange<std::size_t>(0, bytes.size())] = *rc::gen::arbitrary<char>();
        bytes.resize(*rc::gen::weightedElement<std::size_t>({{3, bytes.size()}, {1, bytes.size() / 2}}));
        const auto read = unpack(bytes, {day});
        // The checksum of zlib (RFC 1950) detects the rest.
        if (read) RC_ASSERT(*read == block);
        if (!read) RC_ASSERT(!read.error().text.empty());
    });
}

TEST_CASE("a malformed packed block is refused with what is wrong with it") {
    const auto problem = [](const std::string& text) {
        const auto read = unpack(compressed(text), {day});
        return read ? std::string("nothing") : read.error().text;
    };
    const auto entries = [&](const std::string& columns) {
        return problem(R"({"version":1,"entries":{)" + columns + "}}");
    };
    CHECK(unpack("", {day}).error().text == "it is incomplete or not compressed with zlib");
    CHECK(unpack("no zlib", {day}).error().text == "it is incomplete or not compressed with zlib");
    const std::string whole = pack({}, {day});
    CHECK(unpack(whole + "x", {day}).error().text == "it is incomplete or not compressed with zlib");
    CHECK(unpack(whole.substr(0, whole.size() - 1), {day}).error().text ==
          "it is incomplete or not compressed with zlib");
    CHECK(problem("[1") == "it is not a JSON object");
    CHECK(problem("[]") == "it is not a JSON object");
    CHECK(problem("{}") == "it is not in version 1 of the format");
    CHECK(problem(R"({"version":2})") == "it is not in version 1 of the format");
    CHECK(problem(R"({"version":1})") == "nothing");
    CHECK_THAT(problem(R"({"version":1,"rows":7})"), Catch::Contains("not a JSON object"));
    CHECK_THAT(entries(R"("before":[0,0,0,0],"every":0)"), Catch::Contains("no number \"size\""));
    CHECK_THAT(entries(R"("size":1e9,"before":[0,0,0,0],"every":0)"), Catch::Contains("\"size\""));
    CHECK_THAT(entries(R"("size":-1,"before":[0,0,0,0],"every":0)"), Catch::Contains("an invalid size"));
    CHECK_THAT(entries(R"("size":1000000000,"before":[0,0,0,0],"every":0)"),
               Catch::Contains("an invalid size"));
    CHECK_THAT(entries(R"("size":1,"before":[0,0],"every":0)"), Catch::Contains("\"before\""));
    CHECK_THAT(entries(R"("size":2,"before":[0,0,0,0],"every":5,"ticks":[1])"),
               Catch::Contains("an invalid column \"ticks\""));
    CHECK_THAT(entries(R"("size":2,"before":[0,0,0,0],"every":5,"ticks":null)"),
               Catch::Contains("a column \"ticks\" without a number"));
    CHECK(entries(R"("size":2,"before":[0,0,0,0],"every":5)") == "nothing");
    CHECK_THAT(entries(R"("size":2,"before":[0,0,0,0],"every":0)"), Catch::Contains("out of place"));
    CHECK_THAT(entries(R"("size":2,"before":[0,0,0,0],"every":86400000000)"),
               Catch::Contains("out of place"));
    CHECK_THAT(entries(R"("size":1,"before":[0,0,0,0],"every":0,"from_us":1)"),
               Catch::Contains("out of place"));
}

TEST_CASE("a small block that inflates to more memory than any real one is refused") {
    CHECK_FALSE(unpack(compressed(std::string(std::size_t{200} << 20, ' ')), {day}));
}
