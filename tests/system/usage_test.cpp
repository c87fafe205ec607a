// The usage of many meters in one answer of the real daemon, for the client and for a tenant over TCP.
#include <fmt/format.h>

#include <catch2/catch.hpp>

#include "serve/raw_client.hpp"
#include "support/mosquitto_process.hpp"
#include "system/site.hpp"

using namespace tickledger::test;
using nlohmann::json;

namespace {

const std::string word_of_all = "the-word-of-the-whole-house";
const std::string word_of_flat_2 = "the-word-of-the-second-flat";

/// The path of a file with the token, which nobody else may read.
std::string secret(const TempDirectory& words, const std::string& name, const std::string& word) {
    const auto file = words.write(name, word);
    std::filesystem::permissions(file, std::filesystem::perms::owner_read);
    return file.string();
}

/// A house with two flats behind it, and a port for a tenant.
std::string house_with_flats(std::uint16_t port, const TempDirectory& words) {
    return fmt::format(R"(http = "127.0.0.1:{0}"
token_file = "{1}"
[[meter]]
id = "house"
topic = "nodes/cellar/water"
[[meter]]
id = "flat-{{1}}"
topic = "nodes/flats/+/water"
group = "flats"
parent = "house"
[[tenant]]
name = "Flat 2"
token_file = "{2}"
meters = ["flat-2"]
)",
                       port, secret(words, "all", word_of_all), secret(words, "flat-2", word_of_flat_2));
}

/// A message every three minutes to each topic, for two hours on 1 March 2026.
std::string recording() {
    std::string lines;
    for (int minute = 0; minute <= 120; minute += 3) {
        int meter = 0;
        for (const char* topic : {"nodes/cellar/water", "nodes/flats/1/water", "nodes/flats/2/water"}) {
            lines += fmt::format(R"({{"tst":"2026-03-01T{:02}:{:02}:{:02}Z","topic":"{}","qos":1,"retain":0,)"
                                 R"("payload":"{{\"count\":{},\"boot\":1,\"seq\":{}}}"}})"
                                 "\n",
                                 8 + minute / 60, minute % 60, meter, topic, 100 + minute * (3 - meter) / 3,
                                 minute / 3);
            ++meter;
        }
    }
    return lines;
}

json asked_over_tcp(std::uint16_t port, const std::string& word, const std::string& target) {
    RawClient client(port);
    client.send(fmt::format(
        "GET {} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {}\r\nConnection: close\r\n\r\n",
        target, port, word));
    const auto answer = client.receive();
    if (!answer) throw std::runtime_error(target + ": no answer");
    if (answer->status != 200) throw std::runtime_error(target + ": " + answer->head + answer->body);
    return json::parse(answer->body);
}

}  // namespace

TEST_CASE("the usage of many meters is one answer, for the client and for a tenant") {
    const TempDirectory words;
    const std::uint16_t port = some_free_port();
    Site site({.meters = house_with_flats(port, words)});
    const auto file = site.directory().write("recording.jsonl", recording());
    const Outcome replayed = site.replay({file.string()});
    INFO(replayed.error);
    REQUIRE(replayed.status == 0);
    site.start();

    const std::string range = "?step=day&from=2026-03-01&to=2026-03-02";
    std::string documents;
    std::string lines;
    for (const char* id : {"house", "flat-1", "flat-2"}) {
        const std::string line = site.text(std::string("/v1/meters/") + id + "/usage" + range);
        lines += line;
        documents += (documents.empty() ? "" : ",") + line.substr(0, line.size() - 1);
    }
    CHECK(site.text("/v1/usage" + range) == "{\"meters\":[" + documents + "]}\n");
    // The recording has 40 spans of 3, 2 and 1 ticks.
    const json meters = site.get("/v1/usage" + range).at("meters");
    CHECK(ticks_of(meters.at(0)) == 120);
    CHECK(ticks_of(meters.at(1)) == 80);
    CHECK(ticks_of(meters.at(2)) == 40);
    const Outcome client =
        site.client({"--json", "usage", "--step", "day", "--from", "2026-03-01", "--to", "2026-03-02"});
    CHECK(client.status == 0);
    CHECK(client.out == lines);
    CHECK(site.client({"usage", "--group", "flats", "--csv"}).status == 0);
    CHECK(site.client({"usage", "--group", "cellar"}).status == 2);

    const json all = asked_over_tcp(port, word_of_all, "/v1/usage" + range);
    CHECK(all.at("meters").size() == 3);
    const json own = asked_over_tcp(port, word_of_flat_2, "/v1/usage" + range);
    REQUIRE(own.at("meters").size() == 1);
    CHECK(own.at("meters").at(0) == meters.at(2));
    CHECK(asked_over_tcp(port, word_of_flat_2, "/v1/usage?group=flats").at("meters").size() == 1);
    CHECK(site.stop() == 0);
}
