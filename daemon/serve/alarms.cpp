// GET /v1/alarms: the alarms, newest first, and the nights on which nothing could be decided.
#include <fmt/format.h>

#include <array>

#include "book/documents.hpp"
#include "serve/call.hpp"

namespace tickledger {

namespace {

OrProblem<std::optional<AlarmState>> state_of(const Call& call) {
    const auto text = call.parameter("state");
    if (!text) return std::nullopt;
    for (const AlarmState state : {AlarmState::normal, AlarmState::unacknowledged, AlarmState::acknowledged,
                                   AlarmState::returned_unacknowledged, AlarmState::shelved}) {
        if (name_of(state) == *text) return state;
    }
    return refuse(400,
                  fmt::format("The query parameter \"state\" is \"{}\". Give unacknowledged, acknowledged, "
                              "returned-unacknowledged, normal or shelved.",
                              *text));
}

// A meter that was removed from the configuration keeps its alarms, so both the configuration and the ledger
// count.
OrProblem<std::optional<std::string>> meter_of(const Call& call, LedgerView& view) {
    const auto id = call.parameter("meter");
    if (!id || is_configured(call.parts, *id)) return id;
    const auto record = view.meter(*id);
    if (!record) return tl::unexpected(ledger_problem(record.error()));
    if (*record) return id;
    return refuse(404, fmt::format("There is no meter \"{}\". GET /v1/meters lists the meters.", *id));
}

std::string describe(const AlarmRecord& record, const CivilZone& zone) {
    return alarm_document(record.alarm, record.meter, zone);
}

std::string describe(const Undecided& undecided, const CivilZone& zone) {
    JsonObject object;
    object.text("meter", undecided.meter);
    object.text("kind", name_of(undecided.kind));
    object.text("from", zone.format(undecided.window.from));
    object.text("to", zone.format(undecided.window.to));
    object.text("text", undecided.text);
    return std::move(object).finish();
}

template <typename Records>
std::string list_of(const Records& records, const CivilZone& zone) {
    JsonArray list;
    for (const auto& record : records)
        list.add(describe(record, zone));
    return std::move(list).finish();
}

}  // namespace

Response get_alarms(const Call& call) {
    const auto state = state_of(call);
    if (!state) return state.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = meter_of(call, **view);
    if (!meter) return meter.error();
    const auto alarms = (*view)->alarms(*meter, *state);
    if (!alarms) return ledger_problem(alarms.error());
    const auto undecided = (*view)->undecided(*meter);
    if (!undecided) return ledger_problem(undecided.error());

    JsonObject document;
    document.raw("alarms", list_of(*alarms, call.parts.zone));
    document.raw("undecided", list_of(*undecided, call.parts.zone));
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace tickledger
