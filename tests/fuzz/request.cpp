// A request to the API, as the server passes it on: "METHOD TARGET", a newline, the body.
#include <nlohmann/json.hpp>

#include "core/percent.hpp"
#include "fuzz/fuzz.hpp"
#include "serve/api_fixture.hpp"
#include "serve/news.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::test;
using fuzz::must;

/// A small ledger. Orders are not carried out, so it never changes.
struct Served {
    Served() {
        sure(site.ledger->begin());
        const MeterKey house = site.meter("house");
        site.add(house, "08:00", "09:00", 40);
        site.add(house, "09:00", "09:10", 0);
        site.add(house, "09:10", "11:00", 7, EntryKind::restart);
        site.meter("flat-1");
        sure(site.ledger->commit());
    }

    ApiFixture site;
    News news;
    Api api{[this] {
        ApiParts parts = site.parts();
        parts.news = &news;
        return parts;
    }()};
};

/// The beginning of a long answer is enough.
std::string body_of(const Response& response) {
    constexpr std::size_t enough_bytes = 100'000;
    if (!response.chunks) return response.body;
    std::string body;
    std::string chunk;
    while (body.size() < enough_bytes) {
        const auto more = response.chunks(chunk);
        must(more.has_value(), "an answer that has begun does not fail");
        body += chunk;
        chunk.clear();
        if (!*more) return body;
    }
    return {};
}

void check(const Response& response) {
    const std::string body = body_of(response);
    must(response.status >= 200 && response.status < 500, "a request causes no server error");
    must(response.status < 400 || response.content_type == "application/problem+json",
         "a refusal is a problem document");
    if (!response.content_type.ends_with("json") || body.empty()) return;
    const auto document = nlohmann::json::parse(body, nullptr, false);
    must(!document.is_discarded(), "an answer is JSON");
    if (response.status < 400) return;
    must(document.at("status") == response.status, "a problem document has the status");
    must(!document.at("detail").get<std::string>().empty(), "a problem document has a detail");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    std::string_view body = fuzz::text_of(data, size);
    std::string_view target = fuzz::take_line(body);
    const auto space = target.find(' ');
    if (space == std::string_view::npos) return 0;
    const std::string_view method = target.substr(0, space);
    target.remove_prefix(space + 1);
    auto request = read_target(target);
    if (!request) {
        check(problem(400, request.error().text));
        return 0;
    }
    const auto again = read_target("/" + percent_encode(request->path.substr(1)));
    must(again && again->path == request->path, "a path is the same after encoding and decoding");
    request->method = method;
    request->content_type = "application/json";
    request->body = body;
    static Served served;
    served.site.orders.clear();
    check(served.api.handle(*request));
    for (const std::string& order : served.site.orders) {
        const auto document = nlohmann::json::parse(order, nullptr, false);
        must(document.is_object() && document.contains("do"), "a stored order is an object with \"do\"");
    }
    return 0;
}
