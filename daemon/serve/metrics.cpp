// GET /metrics: values for a monitoring system, in the text format of OpenMetrics 1.0.
//
// Answers even while booking has stopped, when it is needed most. Values that the ledger cannot give are left
// out.
#include <fmt/format.h>

#include <algorithm>

#include "book/documents.hpp"
#include "serve/call.hpp"
#include "serve/health.hpp"

namespace tickledger {

namespace {

enum class Type : std::uint8_t { counter, gauge, info };

/// One metric and its samples.
class Family {
public:
    Family(std::string& text, std::string_view name, Type type, std::string_view help)
        : text_(text),
          name_(name),
          suffix_(type == Type::counter ? "_total"
                  : type == Type::info  ? "_info"
                                        : "") {
        constexpr std::array<std::string_view, 3> types = {"counter", "gauge", "info"};
        text_ += fmt::format("# TYPE {} {}\n# HELP {} {}\n", name, types.at(static_cast<std::size_t>(type)),
                             name, help);
    }

    void sample(std::string_view labels, std::string_view value) {
        text_ += fmt::format("{}{}{} {}\n", name_, suffix_,
                             labels.empty() ? "" : fmt::format("{{{}}}", labels), value);
    }
    void sample(std::uint64_t value) { sample("", std::to_string(value)); }

private:
    std::string& text_;
    std::string name_;
    std::string_view suffix_;
};

/// Ids contain only letters, digits and hyphens, so nothing needs escaping.
std::string of_meter(std::string_view id) {
    return fmt::format("meter=\"{}\"", id);
}

std::string unix_seconds(Instant t) {
    return fmt::format("{}.{:03}", microseconds_of(t) / 1'000'000, microseconds_of(t) / 1000 % 1000);
}

void add_daemon(std::string& text, const HealthFacts& facts) {
    Family(text, "tickledger_build", Type::info, "The daemon's version.")
        .sample(fmt::format("version=\"{}\"", facts.version), "1");
    Family(text, "tickledger_messages_accepted", Type::counter, "Messages in the log.")
        .sample(facts.messages_accepted);
    Family(text, "tickledger_messages_booked", Type::counter,
           "Messages booked; catches up with those accepted.")
        .sample(facts.messages_booked);
    Family(text, "tickledger_messages_unreadable", Type::counter, "Messages that could not be read.")
        .sample(facts.messages_unreadable);
    Family(text, "tickledger_messages_stray", Type::counter, "Readings that were not believed.")
        .sample(facts.messages_stray);
    Family(text, "tickledger_broker_connected", Type::gauge,
           "1 while the broker is connected and every topic subscribed.")
        .sample(facts.broker_connected && facts.broker_subscribed ? 1 : 0);
    Family(text, "tickledger_booking_stopped", Type::gauge, "1 while the store cannot be written.")
        .sample(facts.store_error.empty() ? 0 : 1);
    Family(text, "tickledger_ledger_bytes", Type::gauge, "The ledger's size on the disk.")
        .sample(facts.store.ledger_bytes);
    Family(text, "tickledger_message_log_bytes", Type::gauge, "The message log's size on the disk.")
        .sample(facts.store.messages_bytes);
    if (facts.store.free_bytes) {
        Family(text, "tickledger_store_free_bytes", Type::gauge, "Free room on the store's disk.")
            .sample(*facts.store.free_bytes);
    }
    if (facts.store.last_backup_at) {
        Family(text, "tickledger_last_backup_timestamp_seconds", Type::gauge,
               "When the newest backup was made.")
            .sample("", unix_seconds(*facts.store.last_backup_at));
    }
}

/// A meter and the summary of its account.
struct SeenMeter {
    FoundMeter meter;
    MeterSummary summary;
};

Result<std::vector<SeenMeter>> all_seen(const ApiParts& parts, LedgerView& view) {
    auto meters = all_meters(parts, view);
    if (!meters) return tl::unexpected(meters.error());
    std::vector<SeenMeter> all;
    for (FoundMeter& meter : *meters) {
        if (!meter.record) continue;
        auto summary = parts.summarise(*meter.record, *meter.settings);
        if (!summary) return tl::unexpected(summary.error());
        if (summary->last_reading_at) all.push_back({std::move(meter), *std::move(summary)});
    }
    return all;
}

Result<void> add_meters(std::string& text, const ApiParts& parts, LedgerView& view) {
    const auto all = all_seen(parts, view);
    if (!all) return tl::unexpected(all.error());
    // OpenMetrics wants all samples of a metric together.
    Family ticks(text, "tickledger_meter_ticks", Type::gauge, "Ticks booked; an adjustment can lower them.");
    for (const SeenMeter& seen : *all)
        ticks.sample(of_meter(seen.meter.id), std::to_string(seen.summary.total_ticks));
    Family reading(text, "tickledger_meter_register_m3", Type::gauge,
                   "What the register on the wall should show.");
    for (const SeenMeter& seen : *all) {
        const PulseValues values =
            pulse_values(*seen.meter.settings, seen.summary.meter_register, parts.zone);
        const auto total = total_of(view, seen.meter, seen.summary, values, parts.zone);
        if (!total) return tl::unexpected(total.error());
        reading.sample(of_meter(seen.meter.id),
                       register_m3_text(*total, *seen.meter.settings, seen.summary.meter_register));
    }
    Family flow(text, "tickledger_meter_flow_l_per_h", Type::gauge, "The flow over the last booked span.");
    for (const SeenMeter& seen : *all) {
        if (seen.summary.flow_l_per_h)
            flow.sample(of_meter(seen.meter.id), flow_text(seen.summary.flow_l_per_h));
    }
    Family last(text, "tickledger_meter_last_reading_timestamp_seconds", Type::gauge,
                "The time of the meter's last reading.");
    for (const SeenMeter& seen : *all)
        last.sample(of_meter(seen.meter.id), unix_seconds(*seen.summary.last_reading_at));
    return {};
}

Result<void> add_ledger(std::string& text, const ApiParts& parts, LedgerView& view,
                        const HealthFacts& facts) {
    const auto waiting = view.outbox_size();
    if (!waiting) return tl::unexpected(waiting.error());
    Family(text, "tickledger_publications_waiting", Type::gauge,
           "Publications that the broker has not taken yet.")
        .sample(static_cast<std::uint64_t>(std::max<std::int64_t>(0, *waiting - facts.publications_arrived)));
    const auto alarms = view.alarms(std::nullopt, std::nullopt);
    if (!alarms) return tl::unexpected(alarms.error());
    Family active(text, "tickledger_alarm_active", Type::gauge, "1 while an alarm's condition holds.");
    for (const AlarmRecord& record : *alarms) {
        if (!record.alarm.is_active()) continue;
        active.sample(fmt::format("{},kind=\"{}\"", of_meter(record.meter), name_of(record.alarm.kind)), "1");
    }
    return add_meters(text, parts, view);
}

}  // namespace

Response get_metrics(const Call& call) {
    Response response;
    response.content_type = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    const HealthFacts facts = call.parts.health();
    add_daemon(response.body, facts);
    std::string from_ledger;
    const auto view = call.snapshots.take();
    if (view && add_ledger(from_ledger, call.parts, **view, facts)) response.body += from_ledger;
    response.body += "# EOF\n";
    return response;
}

}  // namespace tickledger
