#include "client/commands.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "client/local_http.hpp"
#include "client/ranges.hpp"
#include "client/views.hpp"
#include "client/watch.hpp"
#include "core/percent.hpp"

namespace tickledger {

namespace {

// Ends the program with what the daemon says of a request that it refused.
[[noreturn]] void refuse(const Answer& answer) {
    const auto document = nlohmann::json::parse(answer.body, nullptr, false);
    const bool has_detail =
        document.is_object() && document.contains("detail") && document["detail"].is_string();
    throw Stop{refused, has_detail ? document["detail"].get<std::string>()
                                   : fmt::format("The daemon answered with status {}.", answer.status)};
}

std::string ask(const Options& options, const Asked& asked) {
    auto answer = tickledger::ask(options.socket, asked);
    if (!answer) throw Stop{not_reachable, answer.error().text};
    if (answer->status == 200 || answer->status == 202) return std::move(answer->body);
    refuse(*answer);
}

nlohmann::ordered_json read(const std::string& body) {
    return nlohmann::ordered_json::parse(body);
}

void put(std::string_view text) {
    std::fwrite(text.data(), 1, text.size(), stdout);
}

// Asks each question in turn and shows the answers one below the other.
void show(const Options& options, const View& view, const std::vector<Asked>& questions) {
    if (options.csv) put(view.csv_header);
    bool is_first = true;
    for (const Asked& asked : questions) {
        const std::string body = ask(options, asked);
        if (options.json) {
            put(body + "\n");
        } else if (options.csv) {
            put(view.csv(read(body)));
        } else {
            put((is_first ? "" : "\n") + view.table(read(body)));
        }
        is_first = false;
    }
}

std::string with_query(std::string target, const std::vector<std::pair<std::string, std::string>>& query) {
    char separator = '?';
    for (const auto& [name, value] : query) {
        if (value.empty()) continue;
        target += separator + name + "=" + percent_encode(value);
        separator = '&';
    }
    return target;
}

// The one meter that was named, or all there are.
std::vector<Asked> targets_of(const Options& options, const std::string& what,
                              const std::vector<std::pair<std::string, std::string>>& query) {
    std::vector<std::string> ids;
    if (options.meter.empty()) {
        const auto document = read(ask(options, {"/v1/meters"}));
        for (const auto& meter : document.at("meters")) {
            ids.push_back(meter.at("id"));
        }
    } else {
        ids.push_back(options.meter);
    }
    std::vector<Asked> targets;
    for (const std::string& id : ids) {
        targets.push_back({with_query("/v1/meters/" + percent_encode(id) + "/" + what, query)});
    }
    return targets;
}

AskedRange range_of(const Options& options) {
    // Today is the site's, so the daemon is asked what time it is there.
    const auto now = [&] { return read(ask(options, {"/v1/health"})).at("time").get<std::string>(); };
    Result<AskedRange> range = AskedRange{options.from, options.to, ""};
    if (!options.day.empty()) {
        range = range_of_day(options.day, options.day.find_first_of("0123456789") == 0 ? "" : now());
    } else if (!options.month.empty()) {
        range = range_of_month(options.month);
    } else if (!options.last.empty()) {
        range = range_of_last(options.last, now());
    }
    if (!range) throw Stop{wrong_call, range.error().text};
    return *range;
}

// The one meter that is meant where something is told: the named one, or the only one there is.
std::string told_meter(const Options& options) {
    if (!options.meter.empty()) return options.meter;
    const auto document = read(ask(options, {"/v1/meters"}));
    const auto& meters = document.at("meters");
    if (meters.size() == 1) return meters.front().at("id");
    throw Stop{wrong_call, "There are several meters. Name the one that is meant."};
}

void read_register(const Options& options) {
    const std::string& reading = options.start.empty() ? options.reading : options.start;
    nlohmann::ordered_json body;
    if (!options.at.empty()) body["time"] = options.at;
    // With a unit: "43613.2 ft3". Else cubic metres, with the digits as they were typed.
    body[reading.find(' ') == std::string::npos ? "reading_m3" : "reading"] = reading;
    if (!options.start.empty()) body["start"] = true;
    const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/register";
    show(options, reading_view, {{target, "POST", body.dump()}});
}

void change_alarm(const Options& options, const std::string& id, const std::string& what,
                  const std::string& body = {}) {
    show(options, alarm_view, {{"/v1/alarms/" + percent_encode(id) + "/" + what, "POST", body}});
}

}  // namespace

void meters(const Options& options) {
    show(options, meters_view, {{"/v1/meters"}});
}

void usage(const Options& options) {
    const AskedRange range = range_of(options);
    const bool with_bars = options.bars || ::isatty(STDOUT_FILENO) == 1;
    show(options, with_bars ? usage_bars_view : usage_view,
         targets_of(options, "usage",
                    {{"step", options.step.empty() ? range.step : options.step},
                     {"from", range.from.value_or("")},
                     {"to", range.to.value_or("")},
                     {"cost", options.cost ? "true" : ""}}));
}

void watch(const Options& options) {
    if (options.csv)
        throw Stop{wrong_call, "`watch` does not support --csv. Use --json: one document a line."};
    // Ctrl-C is how this ends: nothing is left to be said.
    std::signal(SIGINT, [](int) { std::_Exit(EXIT_SUCCESS); });
    const auto ended = tickledger::watch({options.socket, options.meter, options.json});
    if (!ended) throw Stop{not_reachable, ended.error().text};
    refuse(*ended);
}

void draws(const Options& options) {
    const AskedRange range = range_of(options);
    show(options, draws_view,
         targets_of(
             options, "draws",
             {{"from", range.from.value_or("")}, {"to", range.to.value_or("")}, {"label", options.label}}));
}

void ledger(const Options& options) {
    const AskedRange range = range_of(options);
    show(options, ledger_view,
         targets_of(options, "ledger", {{"from", range.from.value_or("")}, {"to", range.to.value_or("")}}));
}

void register_of(const Options& options) {
    if (!options.reading.empty() || !options.start.empty()) {
        read_register(options);
    } else if (!options.take_back.empty()) {
        const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/register";
        show(options, register_view, {{with_query(target, {{"time", options.take_back}}), "DELETE"}});
    } else {
        show(options, register_view, targets_of(options, "register", {}));
    }
}

void calibrate(const Options& options) {
    nlohmann::ordered_json body = nlohmann::ordered_json::object();
    if (!options.apply_from.empty()) body["apply_from"] = options.apply_from;
    if (!options.pulse_value.empty()) body["pulse_value"] = options.pulse_value;
    const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/calibration";
    show(options, calibration_view, {{target, "POST", body.dump()}});
}

void alarms(const Options& options) {
    if (!options.acknowledge.empty()) {
        change_alarm(options, options.acknowledge, "acknowledge");
    } else if (!options.unshelve.empty()) {
        change_alarm(options, options.unshelve, "unshelve");
    } else if (!options.shelve.empty()) {
        const auto length = iso_length(options.length);
        if (!length) throw Stop{wrong_call, length.error().text};
        change_alarm(options, options.shelve, "shelve", nlohmann::ordered_json{{"for", *length}}.dump());
    } else {
        show(options, alarms_view,
             {{with_query("/v1/alarms", {{"meter", options.meter}, {"state", options.state}})}});
    }
}

void away(const Options& options) {
    const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/away";
    if (options.home) return show(options, away_view, {{target, "DELETE"}});
    std::string until = options.until;
    if (!options.length.empty()) {
        const auto end =
            end_of(options.length, read(ask(options, {"/v1/health"})).at("time").get<std::string>());
        if (!end) throw Stop{wrong_call, end.error().text};
        until = *end;
    }
    nlohmann::ordered_json body{{"away", true}};
    if (!options.from.empty()) body["from"] = options.from;
    if (!until.empty()) body["to"] = until;
    show(options, away_view, {{target, "POST", body.dump()}});
}

void health(const Options& options) {
    show(options, health_view, {{"/v1/health"}});
}

}  // namespace tickledger
