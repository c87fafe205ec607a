#include "client/commands.hpp"

#include <unistd.h>

#include <csignal>
#include <cstdlib>

#include "client/asking.hpp"
#include "client/documents.hpp"
#include "client/glossary.hpp"
#include "client/many_usage.hpp"
#include "client/ranges.hpp"
#include "client/table.hpp"
#include "client/watch.hpp"
#include "core/percent.hpp"

namespace tickledger {

namespace {

std::string target_of_meter(const std::string& id, const std::string& what) {
    return "/v1/meters/" + percent_encode(id) + "/" + what;
}

// Requests for the named meter, or for all meters.
std::vector<Asked> targets_of(const Options& options, const std::string& what,
                              const std::vector<std::pair<std::string, std::string>>& query) {
    std::vector<Asked> targets;
    for (const std::string& id : meter_ids(options))
        targets.push_back({with_query(target_of_meter(id, what), query)});
    return targets;
}

AskedRange range_of(const Options& options) {
    Result<AskedRange> range = AskedRange{point_in(options.from), point_in(options.to), ""};
    if (!options.day.empty()) {
        range = range_of_day(options.day);
    } else if (!options.month.empty()) {
        range = range_of_month(options.month);
    } else if (!options.last.empty()) {
        range = range_of_last(options.last);
    }
    if (!range) throw Stop{wrong_call, range.error().text};
    return *range;
}

// The range for weeks. The daemon does not know weeks, so its days are summed. Without a beginning it is the
// last four weeks.
AskedRange range_of_weeks(const Options& options, AskedRange range) {
    if (options.json)
        throw Stop{wrong_call, "The daemon's answers have no weeks. Use --step day with --json."};
    if (range.from.value_or("").empty()) range.from = "monday-3w";
    return range;
}

/// The answer with the rows of all meters, or of those of the named group.
std::string usage_of_all(const Options& options, std::vector<std::pair<std::string, std::string>> query) {
    query.emplace_back("group", options.group);
    auto answer = tickledger::ask(options.socket, {with_query("/v1/usage", query)});
    if (!answer) throw Stop{not_reachable, answer.error().text};
    if (answer->status == 200) return std::move(answer->body);
    if (answer->status == 404 && !options.group.empty()) {
        throw Stop{wrong_call, "No meter is in the group \"" + options.group +
                                   "\". `tickledger meters` shows the groups."};
    }
    refuse(options, *answer);
}

void show_usage(const Options& options, const std::vector<std::string_view>& texts, bool is_weekly) {
    std::vector<Json> documents;
    for (const std::string_view text : texts) {
        Json document = read(text, options.spreadsheet);
        documents.push_back(is_weekly ? weekly(std::move(document)) : std::move(document));
    }
    if (options.wide) return put(wide_csv(documents));
    if (options.csv) {
        put(usage_view.csv_header);
        for (const Json& document : documents)
            put(usage_view.csv(document));
        return;
    }
    const Names names = names_from(options);
    if (documents.size() > 1 && !options.cost) return put(usage_of_many(documents, names, output_width()));
    const bool with_bars = options.bars || ::isatty(STDOUT_FILENO) == 1;
    const View& view = with_bars ? usage_bars_view : usage_view;
    for (const Json& document : documents)
        put((&document == &documents.front() ? "" : "\n") + view.table(names.labelled(document)));
}

void change_alarm(const Options& options, const std::string& id, const std::string& what,
                  const std::string& body = {}) {
    show(options, alarm_view, {{"/v1/alarms/" + percent_encode(id) + "/" + what, "POST", body}});
}

/// Acknowledges all alarms that wait for it.
void acknowledge_all(const Options& options) {
    Json done{{"alarms", Json::array()}, {"undecided", Json::array()}};
    std::string later;
    for (const char* state : {"unacknowledged", "returned-unacknowledged"}) {
        const std::string target = with_query("/v1/alarms", {{"meter", meter_id(options)}, {"state", state}});
        // Named, because it must outlive the loop over it.
        const Json waiting = read(ask(options, {target}));
        for (const Json& alarm : waiting.at("alarms")) {
            const std::string id = std::to_string(alarm.at("id").get<std::int64_t>());
            const std::string body = ask(options, {"/v1/alarms/" + id + "/acknowledge", "POST"});
            if (options.json) put(body + "\n");
            Json answer = read(body);
            if (answer.contains("id")) {
                done["alarms"].push_back(std::move(answer));
            } else {
                later = answer.value("text", "");
            }
        }
    }
    if (options.json) return;
    if (options.csv) return put(alarms_view.csv_header + alarms_view.csv(done));
    if (!done["alarms"].empty()) put(alarms_view.table(names_from(options).labelled(done)));
    if (!later.empty()) put(later + "\n");
    if (done["alarms"].empty() && later.empty()) put("No alarm is waiting to be acknowledged.\n");
}

}  // namespace

void meters(const Options& options) {
    show(options, meters_view, {{"/v1/meters"}});
}

void usage(const Options& options) {
    if (options.wide && !options.csv) throw Stop{wrong_call, "--wide is a form of CSV. Add --csv."};
    const bool is_weekly = options.step == "week";
    AskedRange range = range_of(options);
    if (is_weekly) range = range_of_weeks(options, std::move(range));
    const std::string step = is_weekly ? "day" : options.step.empty() ? range.step : options.step;
    const std::vector<std::pair<std::string, std::string>> query{{"step", step},
                                                                 {"from", range.from.value_or("")},
                                                                 {"to", range.to.value_or("")},
                                                                 {"cost", options.cost ? "true" : ""}};
    std::string answer;
    std::vector<std::string_view> documents;
    if (options.meter.empty()) {
        answer = usage_of_all(options, query);
        documents = documents_in(answer);
    } else {
        answer = ask(options, {with_query(target_of_meter(meter_id(options), "usage"), query)});
        documents = {answer};
    }
    if (options.json) {
        for (const std::string_view document : documents)
            put(std::string(document) + "\n");
        return;
    }
    if (documents.empty()) return put(options.csv ? usage_view.csv_header : "No meters.\n");
    show_usage(options, documents, is_weekly);
}

void watch(const Options& options) {
    if (options.csv)
        throw Stop{wrong_call, "`watch` does not support --csv. Use --json: one document a line."};
    // Ctrl-C is the normal end, so exit without a message.
    std::signal(SIGINT, [](int) { std::_Exit(EXIT_SUCCESS); });
    const auto ended = tickledger::watch({options.socket, meter_id(options), options.json});
    if (!ended) throw Stop{not_reachable, ended.error().text};
    refuse(options, *ended);
}

void draws(const Options& options) {
    if (!options.was.empty()) {
        Json body{{"at", options.at}, {"was", options.was}};
        if (!options.named.empty()) body["named"] = options.named;
        const std::string target = target_of_meter(told_meter(options), "draws");
        return show(options, told_draw_view, {{target, "POST", body.dump()}});
    }
    const AskedRange range = range_of(options);
    const bool by_length = !options.longest.empty();
    show(options, by_length ? longest_draws_view : draws_view,
         targets_of(options, "draws",
                    {{"from", range.from.value_or("")},
                     {"to", range.to.value_or("")},
                     {"label", by_length ? options.longest : options.label}}));
}

void ledger(const Options& options) {
    const AskedRange range = range_of(options);
    show(options, ledger_view,
         targets_of(options, "ledger", {{"from", range.from.value_or("")}, {"to", range.to.value_or("")}}));
}

void calibrate(const Options& options) {
    Json body = Json::object();
    if (!options.apply_from.empty()) body["apply_from"] = options.apply_from;
    if (!options.pulse_value.empty()) body["pulse_value"] = options.pulse_value;
    const std::string target = target_of_meter(told_meter(options), "calibration");
    show(options, calibration_view, {{target, "POST", body.dump()}});
}

void alarms(const Options& options) {
    if (!options.acknowledge.empty()) {
        change_alarm(options, options.acknowledge, "acknowledge");
    } else if (!options.unacknowledge.empty()) {
        change_alarm(options, options.unacknowledge, "unacknowledge");
    } else if (options.acknowledge_all) {
        acknowledge_all(options);
    } else if (!options.unshelve.empty()) {
        change_alarm(options, options.unshelve, "unshelve");
    } else if (!options.shelve.empty()) {
        const auto length = iso_length(options.length);
        if (!length) throw Stop{wrong_call, length.error().text};
        change_alarm(options, options.shelve, "shelve", Json{{"for", *length}}.dump());
    } else {
        show(options, alarms_view,
             {{with_query("/v1/alarms", {{"meter", meter_id(options)}, {"state", options.state}})}});
    }
}

void away(const Options& options) {
    const std::string target = target_of_meter(told_meter(options), "away");
    std::string until = options.until;
    if (!options.length.empty()) {
        const auto end = end_of(options.length, site_time(options));
        if (!end) throw Stop{wrong_call, end.error().text};
        until = *end;
    }
    Json body{{"away", true}};
    if (!options.from.empty()) body["from"] = options.from;
    if (!until.empty()) body["to"] = until;
    show(options, away_view, {{target, "POST", body.dump()}});
}

void back(const Options& options) {
    show(options, away_view, {{target_of_meter(told_meter(options), "away"), "DELETE"}});
}

bool explain_word(const Options& options) {
    const Explained* found = explain(options.word);
    if (!found && !options.word.empty()) return false;
    Table table({{"Word"}, {"Meaning"}});
    for (const Explained& one : glossary()) {
        if (!found || found == &one) table.add({one.word, one.text});
    }
    const std::size_t width = output_width();
    put(table.text(width == 0 ? 100 : width));
    return true;
}

void clock_of(const Options& options) {
    if (!options.right) return show(options, clock_view, {{"/v1/clock"}});
    show(options, clock_view, {{"/v1/clock", "POST", R"({"right":true})"}});
}

void health(const Options& options) {
    show(options, health_view, {{"/v1/health"}});
}

}  // namespace tickledger
