#include "serve/api_fixture.hpp"

#include "store/ledger_view.hpp"

namespace tickledger::test {

ApiFixture::ApiFixture() {
    configuration.timezone = "Europe/Lisbon";
    MeterSettings house;
    house.id = "house";
    MeterSettings garden;
    garden.id = "garden";
    garden.pulse_value_l = {1, 3};
    MeterSettings flat;
    flat.id = "flat-{1}";
    flat.pulse_value_l = {10, 1};
    configuration.meters = {house, garden, flat};
    health.version = "1.2.3";
    health.broker_connected = health.broker_subscribed = true;
    api = std::make_unique<Api>(parts());
}

ApiParts ApiFixture::parts() const {
    return ApiParts{
        .configuration = &configuration,
        .zone = sure(CivilZone::find(configuration.timezone)),
        .open_view = [this] { return LedgerView::open(file); },
        .settings_for = [this](const std::string& id) -> const MeterSettings* {
            for (const MeterSettings& meter : configuration.meters) {
                if (meter.id != id && (meter.id != "flat-{1}" || !id.starts_with("flat-"))) continue;
                MeterSettings& resolved_meter = resolved[id] = meter;
                resolved_meter.id = id;
                return &resolved_meter;
            }
            return nullptr;
        },
        .summarise = [this](const MeterRecord& record, const MeterSettings&) -> Result<MeterSummary> {
            const auto found = summaries.find(record.id);
            return found == summaries.end() ? MeterSummary{} : found->second;
        },
        .health = [this] { return health; },
        .catch_up = [this] { ++caught_up; },
        .instruct = [this](std::string order) -> Result<void> {
            orders.push_back(std::move(order));
            if (on_order) on_order();
            return {};
        },
        .now = [this] { return now; },
        .clock = [this] { return clock; },
        .clock_is_right = [this]() -> Result<void> {
            if (now < at("2025-01-01T00:00:00Z")) return fail("It cannot be right.");
            clock = {.server = now, .known = now, .disbelieved_ahead = {}, .stamps_at = {}};
            return {};
        },
        .snapshot_longest = snapshot_longest,
    };
}

Response ApiFixture::answer(const std::string& target, const std::string& method,
                            const std::string& body) const {
    Request request = sure(read_target(target));
    request.method = method;
    request.body = body;
    Response response = api->handle(request);
    if (!response.chunks) return response;
    std::string part;
    while (true) {
        const bool is_more = sure(response.chunks(part));
        response.body += part;
        part.clear();
        if (!is_more) return response;
    }
}

nlohmann::ordered_json ApiFixture::document(const std::string& target) const {
    const Response response = answer(target);
    if (response.status != 200) throw std::runtime_error(target + " was refused: " + response.body);
    return nlohmann::ordered_json::parse(response.body);
}

std::string ApiFixture::refusal(const std::string& target, unsigned status, const std::string& method,
                                const std::string& body) const {
    const Response response = answer(target, method, body);
    const auto problem = nlohmann::json::parse(response.body);
    if (response.status != status || problem.at("status") != status ||
        response.content_type != "application/problem+json") {
        throw std::runtime_error(target + " was not refused as expected: " + response.body);
    }
    return problem.at("detail");
}

void ApiFixture::add(MeterKey key, std::string_view from, std::string_view to, std::int64_t ticks,
                     EntryKind kind) {
    Entry entry;
    const auto instant = [](std::string_view time) { return at("2026-03-01T" + std::string(time) + ":00Z"); };
    entry.span = {instant(from), instant(to)};
    entry.ticks = ticks;
    entry.kind = kind;
    sure(ledger->add_entry(key, entry));
}

}  // namespace tickledger::test
