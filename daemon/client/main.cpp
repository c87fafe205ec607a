// The tickledger command: what can be said on its command line.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "client/commands.hpp"

namespace {

using namespace tickledger;

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
    command->final_callback([&options] { calibrate(options); });
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
    command->final_callback([&options] { register_of(options); });
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
        meters(options);
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

    app.add_subcommand("health", "How the daemon is")->final_callback([&] { health(options); });
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
