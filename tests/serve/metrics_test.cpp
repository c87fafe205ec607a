#include <catch2/catch.hpp>
#include <cstdlib>
#include <fstream>

#include "serve/api_fixture.hpp"

namespace tickledger {
namespace {

using test::ApiFixture;
using test::at;
using test::sure;
using Json = nlohmann::json;

/// The samples as the format's reference parser reads them, "name{labels}" and value. Throws on anything that
/// the format forbids. The parser is prometheus_client.openmetrics in Debian's package
/// python3-prometheus-client, so Debian's interpreter runs it.
Json read_by_reference_parser(const ApiFixture& fixture, const std::string& text) {
    const auto metrics = fixture.directory.write("metrics.txt", text);
    const auto script = fixture.directory.write("read.py", R"(
import json, sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families
samples = {}
for family in text_string_to_metric_families(open(sys.argv[1]).read()):
    for sample in family.samples:
        labels = ','.join(f'{name}={value}' for name, value in sorted(sample.labels.items()))
        samples[sample.name + '{' + labels + '}'] = sample.value
json.dump(samples, open(sys.argv[2], 'w'))
)");
    const auto read = fixture.directory / "read.json";
    const std::string command =
        "/usr/bin/python3 '" + script.string() + "' '" + metrics.string() + "' '" + read.string() + "'";
    if (std::system(command.c_str()) != 0) throw std::runtime_error("not OpenMetrics:\n" + text);
    return Json::parse(std::ifstream(read));
}

}  // namespace

TEST_CASE("the reference parser accepts the metrics, and they agree with the answers") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    const MeterKey house = fixture.meter("house");
    fixture.meter("flat-7");
    Alarm alarm;
    alarm.kind = AlarmKind::night_flow;
    raise(alarm, at("2026-03-08T05:00:00Z"));
    sure(fixture.ledger->put_alarm(house, alarm));
    sure(fixture.ledger->queue({.topic = "meters/house/now", .payload = "{}", .retained = true}));
    sure(fixture.ledger->commit());
    MeterSummary& summary = fixture.summaries["house"];
    summary.last_reading_at = at("2026-03-08T11:57:00.25Z");
    summary.total_ticks = 1234567;
    summary.flow_l_per_h = 20.0;
    fixture.health.messages_accepted = 12;
    fixture.health.messages_booked = 10;

    const Response response = fixture.answer("/metrics");
    CHECK(response.content_type == "application/openmetrics-text; version=1.0.0; charset=utf-8");
    const Json samples = read_by_reference_parser(fixture, response.body);
    CHECK(samples.at("tickledger_build_info{version=1.2.3}") == 1);
    CHECK(samples.at("tickledger_messages_accepted_total{}") == 12);
    CHECK(samples.at("tickledger_messages_booked_total{}") == 10);
    CHECK(samples.at("tickledger_broker_connected{}") == 1);
    CHECK(samples.at("tickledger_booking_stopped{}") == 0);
    CHECK(samples.at("tickledger_publications_waiting{}") == 1);
    CHECK(samples.at("tickledger_alarm_active{kind=night-flow,meter=house}") == 1);
    CHECK(samples.at("tickledger_meter_ticks{meter=house}") == 1234567);
    CHECK(samples.at("tickledger_meter_register_m3{meter=house}") == 1234.567);
    CHECK(samples.at("tickledger_meter_flow_l_per_h{meter=house}") == 20);
    CHECK(samples.at("tickledger_meter_last_reading_timestamp_seconds{meter=house}") == 1772971020.25);
    CHECK_FALSE(samples.contains("tickledger_meter_ticks{meter=flat-7}"));
}

TEST_CASE("metrics count no publication as waiting that the broker has acknowledged") {
    ApiFixture fixture;
    sure(fixture.ledger->begin());
    for (int i = 0; i < 4; ++i)
        sure(fixture.ledger->queue({.topic = "meters/house/usage", .payload = "{}"}));
    sure(fixture.ledger->commit());
    fixture.health.publications_arrived = 3;
    const Json samples = read_by_reference_parser(fixture, fixture.answer("/metrics").body);
    CHECK(samples.at("tickledger_publications_waiting{}") == 1);
}

TEST_CASE("metrics are served while the store cannot be written") {
    ApiFixture fixture;
    fixture.health.store_error = "The disk is full.";
    fixture.health.broker_connected = false;
    const Json samples = read_by_reference_parser(fixture, fixture.answer("/metrics").body);
    CHECK(samples.at("tickledger_booking_stopped{}") == 1);
    CHECK(samples.at("tickledger_broker_connected{}") == 0);
    CHECK(fixture.caught_up == 0);
}

}  // namespace tickledger
