#include "serve/api.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <array>

#include "serve/building.hpp"
#include "serve/call.hpp"
#include "serve/draws.hpp"
#include "serve/page.hpp"

namespace tickledger {

namespace {

// One line for each call; /v1/openapi.json describes them.
const std::array all_routes{
    Route{"GET", "/v1/building", {}, get_building},
    Route{"GET", "/v1/meters", {}, get_meters},
    Route{"GET", "/v1/usage", {"step", "from", "to", "cost", "group"}, get_usage_of_all},
    Route{"GET", "/v1/meters/{id}/today", {}, get_today},
    Route{"GET", "/v1/meters/{id}/nights", {"from", "to"}, get_nights},
    Route{"GET", "/v1/meters/{id}/usage", {"step", "from", "to", "cost"}, get_usage},
    Route{"GET", "/v1/meters/{id}/draws", {"from", "to", "label"}, get_draws},
    Route{"POST", "/v1/meters/{id}/draws", {}, post_draws},
    Route{"GET", "/v1/meters/{id}/ledger", {"from", "to"}, get_ledger},
    Route{"GET", "/v1/meters/{id}/register", {}, get_register},
    Route{"POST", "/v1/meters/{id}/register", {}, post_register},
    Route{"DELETE", "/v1/meters/{id}/register", {"time"}, delete_register},
    Route{"POST", "/v1/meters/{id}/calibration", {}, post_calibration},
    Route{"GET", "/v1/meters/{id}/history", {}, get_history},
    Route{"POST", "/v1/meters/{id}/history", {}, post_history},
    Route{"DELETE", "/v1/meters/{id}/history", {"import"}, delete_history},
    Route{"POST", "/v1/meters/{id}/away", {}, post_away},
    Route{"DELETE", "/v1/meters/{id}/away", {}, delete_away},
    Route{"GET", "/v1/alarms", {"meter", "state"}, get_alarms},
    Route{"POST", "/v1/alarms/{id}/acknowledge", {}, post_acknowledge},
    Route{"POST", "/v1/alarms/{id}/unacknowledge", {}, post_unacknowledge},
    Route{"POST", "/v1/alarms/{id}/shelve", {}, post_shelve},
    Route{"POST", "/v1/alarms/{id}/unshelve", {}, post_unshelve},
    Route{"GET", "/v1/stream", {"meter"}, get_stream},
    Route{"GET", "/v1/clock", {}, get_clock},
    Route{"POST", "/v1/clock", {}, post_clock},
    Route{"GET", "/v1/health", {}, get_health},
    Route{"GET", "/metrics", {}, get_metrics},
    Route{"GET", "/v1/openapi.json", {}, get_openapi},
};

constexpr std::string_view id_place = "{id}";

// If the path matches the route, the text in the place of "{id}" (empty if the route has none).
std::optional<std::string> match(std::string_view route, std::string_view path) {
    const auto place = route.find(id_place);
    if (place == std::string_view::npos) return route == path ? std::optional<std::string>("") : std::nullopt;
    const auto before = route.substr(0, place);
    const auto after = route.substr(place + id_place.size());
    if (path.size() <= before.size() + after.size() || !path.starts_with(before) || !path.ends_with(after)) {
        return std::nullopt;
    }
    const auto id = path.substr(before.size(), path.size() - before.size() - after.size());
    if (id.find('/') != std::string_view::npos) return std::nullopt;
    return std::string(id);
}

// A misspelt parameter must not be ignored.
std::optional<Response> refuse_query(const Route& route, const Request& request) {
    std::vector<std::string_view> seen;
    for (const auto& [name, value] : request.query) {
        if (std::ranges::find(route.parameters, name) == route.parameters.end()) {
            return problem(400,
                           route.parameters.empty()
                               ? fmt::format("Unknown query parameter \"{}\": this call takes none.", name)
                               : fmt::format("Unknown query parameter \"{}\". This call takes: {}.", name,
                                             fmt::join(route.parameters, ", ")));
        }
        if (std::ranges::find(seen, name) != seen.end()) {
            return problem(400,
                           fmt::format("The query parameter \"{}\" is given twice. Give it once.", name));
        }
        seen.push_back(name);
    }
    return std::nullopt;
}

Response wrong_method(const Request& request, const std::vector<std::string_view>& methods) {
    const std::string allowed = fmt::format("{}", fmt::join(methods, ", "));
    Response response =
        problem(405, fmt::format("{} does not take {}; it takes {}.", request.path, request.method, allowed));
    response.allow = allowed;
    return response;
}

}  // namespace

std::span<const Route> routes() {
    return all_routes;
}

struct Api::Inside {
    explicit Inside(ApiParts parts_to_use) : parts(std::move(parts_to_use)), snapshots(parts) {}
    ApiParts parts;
    Snapshots snapshots;
    UsualDays usuals;
};

Api::Api(ApiParts parts) : inside_(std::make_unique<Inside>(std::move(parts))) {}
Api::~Api() = default;

Response Api::handle(const Request& request) const {
    if (auto page = page_answer(request)) return *std::move(page);
    const std::string_view asked = request.method;
    if (inside_->parts.is_read_only && asked != "GET" && asked != "HEAD")
        return problem(403,
                       "This token may only read. Ask the person who manages the meters to make this "
                       "change.");
    const std::string_view method = asked == "HEAD" ? "GET" : asked;
    std::vector<std::string_view> methods;
    for (const Route& route : all_routes) {
        auto id = match(route.path, request.path);
        if (!id) continue;
        if (route.method != method) {
            methods.push_back(route.method);
            if (route.method == "GET") methods.emplace_back("HEAD");
            continue;
        }
        if (auto refused = refuse_query(route, request)) return *std::move(refused);
        return route.answer(
            BuildingCall{{inside_->parts, inside_->snapshots, request, *std::move(id)}, inside_->usuals});
    }
    if (!methods.empty()) return wrong_method(request, methods);
    return problem(
        404, fmt::format("There is nothing at {}. The calls are listed in /v1/openapi.json.", request.path));
}

}  // namespace tickledger
