// The tickledger command: asks the daemon over its local socket and shows what it answers.
#include <fmt/format.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "client/local_http.hpp"
#include "client/ranges.hpp"
#include "client/views.hpp"
#include "client/watch.hpp"
#include "serve/http_message.hpp"

namespace {

using namespace tickledger;

// What main() ends with: 0, or one of these. 69 is EX_UNAVAILABLE of sysexits.
enum ExitStatus : int { refused = 1, wrong_call = 2, not_reachable = 69 };

// Ends the program from within a command, with a sentence for the person.
struct Stop {
    ExitStatus status;
    std::string text;
};

struct Options {
    std::string socket = "/run/tickledger/api.sock";
    bool json = false;
    bool csv = false;
    std::string meter;
    std::string step;
    bool cost = false;
    bool bars = false;
    std::string from;
    std::string to;
    std::string day;
    std::string month;
    std::string last;
    std::string label;
    std::string state;
    std::string acknowledge;
    std::string shelve;
    std::string unshelve;
    std::string length;
    std::string until;
    bool home = false;
    std::string reading;
    std::string start;
    std::string at;
    std::string take_back;
    std::string apply_from;
    std::string pulse_value;
};

void add_meter(CLI::App& command, Options& options);

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
    if (options.csv) throw Stop{wrong_call, "What happens is no table. Use --json for a document a line."};
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

void show_register(const Options& options) {
    if (!options.reading.empty() || !options.start.empty()) {
        read_register(options);
    } else if (!options.take_back.empty()) {
        const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/register";
        show(options, register_view, {{with_query(target, {{"time", options.take_back}}), "DELETE"}});
    } else {
        show(options, register_view, targets_of(options, "register", {}));
    }
}

void calibrate_meter(const Options& options) {
    nlohmann::ordered_json body = nlohmann::ordered_json::object();
    if (!options.apply_from.empty()) body["apply_from"] = options.apply_from;
    if (!options.pulse_value.empty()) body["pulse_value"] = options.pulse_value;
    const std::string target = "/v1/meters/" + percent_encode(told_meter(options)) + "/calibration";
    show(options, calibration_view, {{target, "POST", body.dump()}});
}

void change_alarm(const Options& options, const std::string& id, const std::string& what,
                  const std::string& body = {}) {
    show(options, alarm_view, {{"/v1/alarms/" + percent_encode(id) + "/" + what, "POST", body}});
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

void add_alarms(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand("alarms", "Alarms, newest first; and what is done to one");
    add_meter(*command, options);
    auto* state = command->add_option(
        "--state", options.state,
        "Only those that are unacknowledged, acknowledged, returned-unacknowledged, normal or shelved");
    auto* acknowledge =
        command->add_option("--acknowledge", options.acknowledge, "You have seen the alarm of this id");
    auto* shelve =
        command->add_option("--shelve", options.shelve, "Keeps the alarm of this id quiet, --for so long");
    auto* unshelve = command->add_option("--unshelve", options.unshelve, "Ends that before its time");
    auto* length =
        command->add_option("--for", options.length, "2d, 12h, 90min: 31 days at most")->needs(shelve);
    shelve->needs(length);
    for (auto* one : {acknowledge, shelve, unshelve}) {
        one->excludes(state);
        for (auto* other : {acknowledge, shelve, unshelve}) {
            if (one != other) one->excludes(other);
        }
    }
    command->footer(
        "An alarm is a household hint, not a safety device. A shelved one is silent whatever happens "
        "meanwhile.");
    command->final_callback([&options] { alarms(options); });
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

void add_away(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "away", "Everybody leaves: any tick raises away-use until --home, or the time given");
    command->add_option("METER", options.meter, "The meter's id; may be left out where there is only one");
    auto* from = command->add_option("--from", options.from, "A date or a time; now where it is left out");
    auto* until = command->add_option("--until", options.until, "Likewise, when somebody is back");
    auto* length =
        command->add_option("--for", options.length, "So long from now: 14d, 12h")->excludes(until, from);
    command->add_flag("--home", options.home, "Somebody is at home again")->excludes(from, until, length);
    command->footer(
        "An alarm is a household hint, not a safety device: shut the main valve when you leave for long.");
    command->final_callback([&options] { away(options); });
}

void add_calibrate(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "calibrate", "What a tick really stands for, from the readings of the register by eye");
    add_meter(*command, options);
    auto* from =
        command->add_option("--apply-from", options.apply_from,
                            "Use the value found from this date on; what was before keeps its value");
    command->add_option("--pulse-value", options.pulse_value, "Use this value instead: \"0.998 L\"")
        ->needs(from);
    command->final_callback([&options] { calibrate_meter(options); });
}

void add_register(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "register",
        "What the meter's face should show; --set tells what it does show, and the ledger follows");
    add_meter(*command, options);
    auto* reading =
        command->add_option("--set", options.reading,
                            "The register as read by eye, all its digits: 1234.567 (m3), \"43613.2 ft3\"");
    auto* start = command->add_option(
        "--start", options.start,
        "Likewise for the first time: the register is taken from there, nothing is adjusted");
    auto* back = command->add_option("--take-back", options.take_back, "Takes the reading of this time back");
    command->add_option("--at", options.at, "When it was read (default: now): a date or a time")
        ->excludes(back);
    reading->excludes(start)->excludes(back);
    start->excludes(back);
    command->footer(
        "Never open a meter or break its seal to read it. What is billed is the utility's reading.");
    command->final_callback([&options] { show_register(options); });
}

void add_meter(CLI::App& command, Options& options) {
    command.add_option("METER", options.meter, "The meter's id; all meters where it is left out");
}

void add_range(CLI::App& command, Options& options) {
    auto* from = command.add_option("--from", options.from,
                                    "A date of the site (2026-03-01) or a time (2026-03-01T08:00:00+01:00)");
    auto* to = command.add_option("--to", options.to, "Likewise; what begins there is not shown any more");
    auto* day = command.add_option("--day", options.day, "today, yesterday or a date");
    auto* month = command.add_option("--month", options.month, "A month: 2026-03");
    auto* last = command.add_option("--last", options.last,
                                    "So long up to now: 7d (today and the six days before), 24h, 90min");
    for (auto* one : {day, month, last}) {
        one->excludes(from)->excludes(to);
        for (auto* other : {day, month, last}) {
            if (one != other) one->excludes(other);
        }
    }
}

void describe(CLI::App& app, Options& options) {
    app.require_subcommand(1);
    app.fallthrough();
    app.set_version_flag("--version", "tickledger " TICKLEDGER_VERSION);
    app.add_option("--socket", options.socket, "The daemon's socket")
        ->envname("TICKLEDGER_SOCKET")
        ->capture_default_str();
    auto* json = app.add_flag("--json", options.json, "The daemon's answers unchanged, one document a line");
    app.add_flag("--csv", options.csv,
                 "CSV (RFC 4180): units in the header, decimal points, empty where there is no data")
        ->excludes(json);
    app.footer("Exit status: 0 done, 1 refused by the daemon, 2 wrong call, 69 daemon not reachable.");

    app.add_subcommand("meters", "Every meter with its register and its flow now")->final_callback([&] {
        show(options, meters_view, {{"/v1/meters"}});
    });

    auto* usage_command = app.add_subcommand("usage", "How much water ran, by rows of civil time");
    add_meter(*usage_command, options);
    usage_command->add_option("--step", options.step, "interval, hour, day, month or year");
    usage_command->add_flag("--cost", options.cost, "With the cost by the configured tariff");
    usage_command->add_flag("--bars", options.bars, "A bar in each row, as on a terminal");
    add_range(*usage_command, options);
    usage_command->final_callback([&] { usage(options); });

    auto* draws_command =
        app.add_subcommand("draws", "Single uses of water: when, how long, how much, and probably what for");
    add_meter(*draws_command, options);
    add_range(*draws_command, options);
    draws_command->add_option("--label", options.label,
                              "Only flush, shower, tap, washer, bath, hose, leak or unknown");
    draws_command->final_callback([&] { draws(options); });

    add_register(app, options);
    add_calibrate(app, options);

    auto* ledger_command =
        app.add_subcommand("ledger", "The ledger's entries, and the messages that were refused");
    add_meter(*ledger_command, options);
    add_range(*ledger_command, options);
    ledger_command->final_callback([&] { ledger(options); });

    add_alarms(app, options);
    add_away(app, options);

    auto* watch_command =
        app.add_subcommand("watch", "What happens now: flow, draws and alarms, until Ctrl-C");
    add_meter(*watch_command, options);
    watch_command->final_callback([&] { watch(options); });

    app.add_subcommand("health", "How the daemon is")->final_callback([&] {
        show(options, health_view, {{"/v1/health"}});
    });
}

int stop(ExitStatus status, std::string_view text) {
    std::fflush(stdout);
    fmt::print(stderr, "tickledger: {}\n", text);
    return status;
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app("Shows what tickledgerd has booked.", "tickledger");
    Options options;
    describe(app, options);
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& help) {
        return app.exit(help);
    } catch (const CLI::ParseError& error) {
        return stop(wrong_call, fmt::format("{} See tickledger --help.", error.what()));
    } catch (const Stop& reason) {
        return stop(reason.status, reason.text);
    } catch (const nlohmann::json::exception& error) {
        return stop(
            refused,
            fmt::format("The daemon's answer is not what this client knows ({}). Are both of the same "
                        "version?",
                        error.what()));
    }
    return EXIT_SUCCESS;
}
