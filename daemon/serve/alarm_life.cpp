// POST /v1/alarms/{id}/acknowledge, …/unacknowledge, …/shelve and …/unshelve: what people do to an alarm.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <functional>
#include <memory>
#include <span>
#include <string>

#include "book/documents.hpp"
#include "book/instruction_documents.hpp"
#include "serve/body.hpp"
#include "serve/call.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

OrProblem<AlarmRecord> find_alarm(const Call& call, LedgerView& view) {
    std::int64_t id = 0;
    const char* const end = call.id.data() + call.id.size();
    const auto read = std::from_chars(call.id.data(), end, id);
    if (read.ec == std::errc{} && read.ptr == end) {
        auto record = view.alarm(id);
        if (!record) return tl::unexpected(ledger_problem(record.error()));
        if (*record) return **std::move(record);
    }
    return refuse(404, fmt::format("There is no alarm \"{}\". GET /v1/alarms lists the alarms.", call.id));
}

/// The alarm that a call is about, and the view that it was found in.
struct AskedAlarm {
    std::shared_ptr<LedgerView> view;
    AlarmRecord record;
};

/// Reads the body's `fields`, then finds the alarm in its state after everything accepted so far.
OrProblem<AskedAlarm> asked_alarm(const Call& call, std::span<JsonField> fields = {}) {
    if (const auto read = read_body(call.request, fields); !read) return tl::unexpected(read.error());
    auto view = call.fresh_view();
    if (!view) return tl::unexpected(view.error());
    auto record = find_alarm(call, **view);
    if (!record) return tl::unexpected(record.error());
    return AskedAlarm{*std::move(view), *std::move(record)};
}

std::string shelving_end(const Alarm& alarm, const Call& call) {
    return in_words(alarm.shelved_until.value_or(Instant{}), call.parts.zone);
}

/// Only the newest alarm of a kind can be shelved. If the kind was raised again, the older alarm is over.
OrProblem<void> expect_newest(const AlarmRecord& record, LedgerView& view) {
    const auto alarms = view.alarms(record.meter, std::nullopt);
    if (!alarms) return tl::unexpected(ledger_problem(alarms.error()));
    const auto newer = std::ranges::find_if(*alarms, [&](const AlarmRecord& other) {
        return other.alarm.kind == record.alarm.kind && other.alarm.id > record.alarm.id;
    });
    if (newer == alarms->end()) return {};
    return refuse(409,
                  fmt::format("Alarm {} is over, and {} was raised again at {} since. Shelve alarm {}.",
                              record.alarm.id, name_of(record.alarm.kind), record.meter, newer->alarm.id));
}

OrProblem<void> expect_watched(const AlarmRecord& record, const Call& call) {
    if (call.parts.settings_for(record.meter)) return {};
    return refuse(409,
                  fmt::format("The meter \"{}\" of this alarm is not in the configuration any more, so it is "
                              "not watched. Add its [[meter]] table again first.",
                              record.meter));
}

Response answer(const AlarmRecord& record, const Call& call) {
    Response response;
    response.body = alarm_document(record.alarm, record.meter, call.parts.zone) + "\n";
    return response;
}

/// Logs the instruction, and answers with the alarm's new state.
Response change(const Call& call, std::string instruction, const std::function<bool(const Alarm&)>& is_done) {
    const auto view = call.instruct(std::move(instruction));
    if (!view) return view.error();
    const auto later = find_alarm(call, **view);
    if (!later) return later.error();
    return is_done(later->alarm) ? answer(*later, call) : accepted_for_later();
}

OrProblem<std::chrono::seconds> length_in(const JsonField& field) {
    const auto text = text_in(field);
    if (!text) return tl::unexpected(text.error());
    if (!*text)
        return refuse(400,
                      "Give the time for which to shelve the alarm, for example {\"for\":\"P2D\"} "
                      "for two days.");
    const auto length = parse_iso_duration(**text);
    if (!length) return refuse(400, fmt::format("\"for\": {}", length.error().text));
    if (*length <= Duration{0})
        return refuse(400, "\"for\" is zero. To end the shelving, unshelve the alarm.");
    if (*length > std::chrono::seconds{shelved_max_s}) {
        return refuse(400,
                      fmt::format("\"for\" is \"{}\", but an alarm is shelved for 31 days (P31D) at most, so "
                                  "that it is not forgotten. Give less, or switch the kind off in the "
                                  "configuration.",
                                  **text));
    }
    return std::chrono::floor<std::chrono::seconds>(*length);
}

}  // namespace

Response post_acknowledge(const Call& call) {
    const auto asked = asked_alarm(call);
    if (!asked) return asked.error();
    const auto is_done = [](const Alarm& now) {
        return now.state == AlarmState::acknowledged || now.state == AlarmState::normal;
    };
    const AlarmRecord& record = asked->record;
    const Alarm& alarm = record.alarm;
    if (is_done(alarm)) return answer(record, call);
    if (alarm.state == AlarmState::shelved) {
        return problem(409,
                       fmt::format("Alarm {} is shelved until {} and needs no acknowledgement until then. "
                                   "To acknowledge it, unshelve it first.",
                                   alarm.id, shelving_end(alarm, call)));
    }
    if (const auto watched = expect_watched(record, call); !watched) return watched.error();
    return change(call, instruction_to_acknowledge(record.meter, alarm), is_done);
}

Response post_unacknowledge(const Call& call) {
    const auto asked = asked_alarm(call);
    if (!asked) return asked.error();
    const auto is_done = [](const Alarm& now) {
        return now.state == AlarmState::unacknowledged || now.state == AlarmState::returned_unacknowledged;
    };
    const AlarmRecord& record = asked->record;
    const Alarm& alarm = record.alarm;
    if (is_done(alarm)) return answer(record, call);
    if (alarm.state == AlarmState::shelved) {
        return problem(
            409,
            fmt::format("Alarm {} is shelved until {}. Unshelve it. If its cause is still there, it then "
                        "has to be acknowledged again.",
                        alarm.id, shelving_end(alarm, call)));
    }
    if (!alarm.acknowledged_at)
        return problem(409,
                       fmt::format("Alarm {} is over, and nobody has acknowledged it: there is nothing to "
                                   "take back.",
                                   alarm.id));
    if (const auto watched = expect_watched(record, call); !watched) return watched.error();
    return change(call, instruction_to_unacknowledge(record.meter, alarm), is_done);
}

Response post_shelve(const Call& call) {
    std::array fields{JsonField{"for", "/for", {}}};
    const auto asked = asked_alarm(call, fields);
    if (!asked) return asked.error();
    const auto length = length_in(fields[0]);
    if (!length) return length.error();
    const AlarmRecord& record = asked->record;
    if (const auto watched = expect_watched(record, call); !watched) return watched.error();
    if (const auto newest = expect_newest(record, *asked->view); !newest) return newest.error();
    return change(call, instruction_to_shelve(record.meter, record.alarm, *length),
                  [before = record.alarm.shelved_until](const Alarm& now) {
                      return now.shelved_until && now.shelved_until != before;
                  });
}

Response post_unshelve(const Call& call) {
    const auto asked = asked_alarm(call);
    if (!asked) return asked.error();
    const auto is_done = [](const Alarm& now) { return now.state != AlarmState::shelved; };
    const AlarmRecord& record = asked->record;
    if (is_done(record.alarm)) return answer(record, call);
    if (const auto watched = expect_watched(record, call); !watched) return watched.error();
    return change(call, instruction_to_unshelve(record.meter, record.alarm), is_done);
}

}  // namespace tickledger
