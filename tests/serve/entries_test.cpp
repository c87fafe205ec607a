// GET …/ledger: entries, refused messages, and long answers in parts.
#include <catch2/catch.hpp>
#include <set>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::mentions;
using test::sure;
using Json = nlohmann::ordered_json;

TEST_CASE("the ledger shows entries, refused messages separately, and the held reading last") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    fixture.add(house, "08:00", "08:03", 3);
    fixture.add(house, "08:03", "08:06", 0, EntryKind::lost);
    Entry restart;
    restart.span = {at("2026-03-01T08:06:00Z"), at("2026-03-01T08:09:30.5Z")};
    restart.kind = EntryKind::restart;
    restart.ticks = 1;
    restart.time_estimated = true;
    restart.unseen_max = 4;
    sure(fixture.ledger->add_entry(house, restart));
    sure(fixture.ledger->add_refused({house, at("2026-03-01T08:01:00Z"), Refusal::unreadable, "nodes/x",
                                      "\xFFoops\n", "This is not JSON."}));
    sure(fixture.ledger->commit());
    Entry held;
    held.span = {at("2026-03-01T08:10:00Z"), at("2026-03-01T08:12:00Z")};
    held.kind = EntryKind::held;
    fixture.summaries["house"].held = held;

    const Json ledger = fixture.document("/v1/meters/house/ledger?from=2026-03-01&to=2026-03-02");
    CHECK(ledger.at("meter") == "house");
    const Json& entries = ledger.at("entries");
    REQUIRE(entries.size() == 4);
    CHECK(
        entries[0].dump() ==
        R"({"from":"2026-03-01T08:00:00+00:00","to":"2026-03-01T08:03:00+00:00","ticks":3,"kind":"measured","unseen_max":null})");
    CHECK(entries[1].at("kind") == "lost");
    CHECK(entries[1].at("ticks").is_null());
    CHECK(entries[2].at("placed") == true);
    CHECK(entries[2].at("unseen_max") == 4);
    CHECK(entries[2].at("to") == "2026-03-01T08:09:30.500000+00:00");
    CHECK(entries[3].at("kind") == "held");
    CHECK(entries[3].at("ticks").is_null());
    REQUIRE(ledger.at("refused").size() == 1);
    CHECK(ledger.at("refused_left_out") == 0);
    CHECK(ledger.at("refused_in_all") == 1);
    CHECK(ledger.at("refused")[0].at("reason") == "unreadable");
    CHECK(ledger.at("refused")[0].at("at") == "2026-03-01T08:01:00+00:00");

    const Json later =
        fixture.document("/v1/meters/house/ledger?from=2026-03-01T08:05:00Z&to=2026-03-01T08:08:00Z");
    CHECK(later.at("entries").size() == 2);
    CHECK(later.at("refused").empty());
    CHECK(fixture.document("/v1/meters/house/ledger").at("entries").empty());
}

TEST_CASE("a slow reader of a long answer let the write-ahead log grow without limit") {
    ApiFixture fixture;
    fixture.snapshot_longest = Duration{0};
    fixture.api = std::make_unique<Api>(fixture.parts());
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const Instant begin = at("2026-03-07T13:00:00Z");
    constexpr int count = 4000;
    for (int i = 0; i < count; ++i) {
        Entry entry;
        entry.span = {begin + std::chrono::seconds{15 * i}, begin + std::chrono::seconds{15 * (i + 1)}};
        entry.ticks = i;
        sure(fixture.ledger->add_entry(house, entry));
    }
    sure(fixture.ledger->commit());
    const auto book_much = [&](int round) {
        for (int batch = 0; batch < 40; ++batch) {
            sure(fixture.ledger->begin());
            sure(fixture.ledger->set_fact("filler", std::string(100'000, static_cast<char>('a' + round))));
            sure(fixture.ledger->commit());
        }
    };
    for (const char* target :
         {"/v1/meters/house/ledger", "/v1/meters/house/usage?step=interval&from=2026-02-15"}) {
        CAPTURE(target);
        Response response = fixture.api->handle(sure(read_target(target)));
        REQUIRE(response.chunks);
        std::string body;
        int parts = 0;
        for (bool is_more = true; is_more; ++parts) {
            std::string part;
            is_more = sure(response.chunks(part));
            body += part;
            book_much(parts % 26);
        }
        CHECK(parts >= 4);
        // Each round is 4 MB. SQLite writes the log from its beginning again once it has 4000 pages of 1 KiB.
        CHECK(std::filesystem::file_size(fixture.file.string() + "-wal") < 12'000'000);
        const Json document = Json::parse(body);
        if (!document.contains("entries")) continue;
        REQUIRE(document.at("entries").size() == count);
        for (int i = 0; i < count; ++i)
            REQUIRE(document.at("entries")[static_cast<std::size_t>(i)].at("ticks") == i);
    }
}

TEST_CASE("a long ledger is complete, with each entry once, as of one moment") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    const Instant begin = at("2026-03-07T13:00:00Z");
    constexpr int count = 2300;
    for (int i = 0; i < count; ++i) {
        Entry entry;
        // Every third span has no length and ends where the one before it ends.
        const Instant from = begin + std::chrono::seconds{30 * (i - i / 3)};
        entry.span = i % 3 == 2 ? Span{from, from} : Span{from, from + std::chrono::seconds{30}};
        entry.ticks = i;
        sure(fixture.ledger->add_entry(house, entry));
    }
    sure(fixture.ledger->commit());

    Response response = fixture.api->handle(sure(read_target("/v1/meters/house/ledger")));
    REQUIRE(response.chunks);
    std::string body;
    std::string part;
    int parts = 0;
    for (bool is_more = true; is_more; ++parts) {
        is_more = sure(response.chunks(part));
        body += std::exchange(part, {});
        if (parts > 0) continue;
        // Entries booked while the answer is being sent do not appear in it.
        sure(fixture.ledger->begin());
        Entry late;
        late.span = {fixture.now - std::chrono::minutes{1}, fixture.now};
        late.ticks = 999'999;
        sure(fixture.ledger->add_entry(house, late));
        sure(fixture.ledger->commit());
    }
    CHECK(parts >= 4);
    const Json entries = Json::parse(body).at("entries");
    REQUIRE(entries.size() == count);
    std::set<std::int64_t> ticks;
    for (const Json& entry : entries)
        ticks.insert(entry.at("ticks").get<std::int64_t>());
    CHECK(ticks.size() == count);
    CHECK(*ticks.rbegin() == count - 1);
    CHECK(fixture.document("/v1/meters/house/ledger").at("entries").size() == count + 1);
}

}  // namespace
}  // namespace tickledger
