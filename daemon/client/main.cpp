// The tickledger command: what can be said on its command line.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <array>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>

#include "client/commands.hpp"
#include "client/glossary.hpp"
#include "core/harmless.hpp"
#include "core/spelling.hpp"

namespace {

using namespace tickledger;

void add_meter(CLI::App& command, Options& options) {
    command.add_option("METER", options.meter, "The meter's id or name; all meters where it is left out");
}

void add_range(CLI::App& command, Options& options) {
    auto* from = command.add_option("--from", options.from,
                                    "A date of the site (2026-03-01), a time (2026-03-01T08:00:00+01:00), "
                                    "yesterday, or so long ago: 2w, 10d, 36h");
    auto* to = command.add_option("--to", options.to, "Likewise; what begins there is not shown any more");
    auto* day = command.add_option("--day", options.day, "today, yesterday or a date");
    auto* month = command.add_option("--month", options.month, "A month: 2026-03");
    auto* last = command.add_option("--last", options.last,
                                    "So long up to now: 7d (today and the six days before), 2w, 24h, 90min");
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
    auto* unacknowledge = command->add_option("--unacknowledge", options.unacknowledge,
                                              "Takes that back: it asks for attention again");
    auto* all = command->add_flag("--acknowledge-all", options.acknowledge_all,
                                  "You have seen all of them, or all of the one METER");
    auto* shelve =
        command->add_option("--shelve", options.shelve, "Keeps the alarm of this id quiet, --for so long");
    auto* unshelve = command->add_option("--unshelve", options.unshelve, "Ends that before its time");
    auto* length =
        command->add_option("--for", options.length, "1w, 2d, 12h, 90min: 31 days at most")->needs(shelve);
    shelve->needs(length);
    const std::array<CLI::Option*, 5> acts{acknowledge, unacknowledge, all, shelve, unshelve};
    for (auto* one : acts) {
        one->excludes(state);
        for (auto* other : acts) {
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
        "away", "Everybody leaves: any tick raises away-use until `tickledger back`, or the time given");
    command->add_option("METER", options.meter,
                        "The meter's id or name; may be left out where there is only one");
    auto* from = command->add_option("--from", options.from, "A date or a time; now where it is left out");
    auto* until = command->add_option("--until", options.until, "Likewise, when somebody is back");
    command->add_option("--for", options.length, "So long from now: 2w, 14d, 12h")->excludes(until, from);
    command->footer(
        "An alarm is a household hint, not a safety device: shut the main valve when you leave for long.");
    command->final_callback([&options] { away(options); });

    auto* back_command = app.add_subcommand("back", "Somebody is at home again: ends `tickledger away`");
    back_command->add_option("METER", options.meter,
                             "The meter's id or name; may be left out where there is only one");
    back_command->final_callback([&options] { back(options); });
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
    command
        ->add_flag("--yes", options.yes,
                   "Book it without asking where it takes back counted water or adds what nobody counted")
        ->needs(reading);
    reading->excludes(start)->excludes(back);
    start->excludes(back);
    command->footer(
        "Never open a meter or break its seal to read it. What is billed is the utility's reading.");
    command->final_callback([&options] { register_of(options); });
}

void add_import(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "import",
        "Records of the time before the first reading, from a CSV file; the imports so far without one");
    ImportOptions& import = options.import;
    command->add_option("METER", options.meter, "The meter's id or name");
    auto* file = command->add_option("FILE", import.file, "The records. A dry run, unless --book is said");
    command->add_option("--time", import.time, "The column of times, by its name or its number from 1");
    auto* shown = command->add_option("--register", import.register_column,
                                      "The column of what the meter showed, likewise");
    command->add_option("--consumption", import.consumption, "Or that of what ran in each row")
        ->excludes(shown);
    command->add_option("--unit", import.unit, "m3, L, gal_us, gal_imp or ft3");
    command->add_option("--zone", import.zone,
                        "The zone of times without an offset: Europe/Berlin; else the site's");
    command->add_option("--delimiter", import.delimiter, "What stands between two columns: ';', ',' or tab");
    command->add_option("--decimal", import.decimal, "The decimal sign: . or ,");
    command->add_option("--dates", import.dates, "What 3/4/2025 means: day-first or month-first");
    command->add_flag("--ends", import.times_are_ends,
                      "The time of a consumption is the end of what it tells, not its beginning");
    command->add_option("--as", import.name, "The import's name, to undo it by; else the file's");
    auto* book = command->add_flag("--book", import.book, "Take it in");
    auto* undo = command->add_option("--undo", import.undo, "Take the import of this name out again");
    undo->excludes(file)->excludes(book);
    book->needs(file);
    command->footer("What is not told is guessed, and the guess is shown. The register does not move.");
    command->final_callback([&options] { import_history(options); });
}

std::vector<std::string> commands_of(const CLI::App& app) {
    std::vector<std::string> names;
    for (const CLI::App* command : app.get_subcommands(nullptr))
        names.push_back(command->get_name());
    return names;
}

std::string did_you_mean(const std::string& word, const std::vector<std::string>& words) {
    const auto meant = nearest(word, {words.begin(), words.end()});
    return meant ? fmt::format("; did you mean \"{}\"?", *meant) : ".";
}

void help(const CLI::App& app, const Options& options) {
    for (const CLI::App* command : app.get_subcommands(nullptr)) {
        if (command->get_name() != options.word) continue;
        fmt::print("{}", command->help("tickledger " + command->get_name()));
        return;
    }
    if (explain_word(options)) return;
    std::vector<std::string> known = commands_of(app);
    for (const Explained& one : glossary())
        known.push_back(one.word);
    throw Stop{wrong_call,
               fmt::format("\"{}\" is no word of the glossary and no command{} tickledger help lists the "
                           "words.",
                           options.word, did_you_mean(options.word, known))};
}

/// What is wrong with a command line, with the command or option that was probably meant.
std::string explain_mistake(const CLI::App& app, const CLI::ParseError& error,
                            const std::vector<std::string>& arguments) {
    const auto commands = commands_of(app);
    const CLI::App* command = nullptr;
    for (std::size_t i = 0; i < arguments.size() && !command; ++i) {
        const std::string& word = arguments[i];
        if (word == "--socket") ++i;
        if (word.starts_with('-')) continue;
        for (const CLI::App* one : app.get_subcommands(nullptr))
            if (one->get_name() == word) command = one;
        if (!command) return fmt::format("There is no command \"{}\"{}", word, did_you_mean(word, commands));
    }
    std::vector<std::string> options;
    for (const CLI::App* part : {&app, command}) {
        if (!part) continue;
        for (const CLI::Option* option : part->get_options()) {
            for (const std::string& name : option->get_lnames())
                options.push_back("--" + name);
        }
    }
    for (const std::string& word : arguments) {
        const std::string name = word.substr(0, word.find('='));
        if (!word.starts_with("--") || std::ranges::find(options, name) != options.end()) continue;
        return fmt::format("There is no option {}{}", name, did_you_mean(name, options));
    }
    return error.what();
}

void describe(CLI::App& app, Options& options) {
    app.require_subcommand(1);
    app.fallthrough();
    app.set_version_flag("--version", "tickledger " TICKLEDGER_VERSION);
    app.add_option("--socket", options.socket, "The daemon's socket")
        ->envname("TICKLEDGER_SOCKET")
        ->capture_default_str();
    auto* json = app.add_flag("--json", options.json, "The daemon's answers unchanged, one document a line");
    auto* csv =
        app.add_flag("--csv", options.csv,
                     "CSV (RFC 4180): units in the header, decimal points, empty where there is no data")
            ->excludes(json);
    app.add_flag("--spreadsheet", options.spreadsheet,
                 "With --csv: a text that begins as a formula does (= + - @) gets an apostrophe before it")
        ->needs(csv);
    app.footer("Exit status: 0 done, 1 refused by the daemon, 2 wrong call, 69 daemon not reachable.");

    app.add_subcommand("meters", "Every meter with its register and its flow now")->final_callback([&] {
        meters(options);
    });

    auto* usage_command = app.add_subcommand("usage", "How much water ran, by rows of civil time");
    add_meter(*usage_command, options);
    usage_command->add_option("--step", options.step, "interval, hour, day, week, month or year");
    usage_command->add_flag("--cost", options.cost, "With the cost by the configured tariff");
    usage_command->add_option("--group", options.group, "Only the meters of this group");
    usage_command->add_flag("--wide", options.wide, "With --csv: a column a meter, litres only");
    usage_command->add_flag("--bars", options.bars, "A bar in each row, as on a terminal");
    add_range(*usage_command, options);
    usage_command->final_callback([&] { usage(options); });

    auto* draws_command =
        app.add_subcommand("draws", "Single uses of water: when, how long, how much, and probably what for");
    add_meter(*draws_command, options);
    add_range(*draws_command, options);
    auto* was = draws_command->add_option(
        "--was", options.was,
        "Says what the use --at this time was: flush, shower, tap, washer, bath, hose; nothing: takes it back");
    auto* at =
        draws_command->add_option("--at", options.at, "A moment in it: 07:10 (the latest one), or a time");
    was->needs(at);
    at->needs(was);
    draws_command->add_option("--named", options.named, "A name of your own for it and its like")->needs(was);
    auto* label = draws_command->add_option("--label", options.label,
                                            "Only flush, shower, tap, washer, bath, hose, leak or unknown");
    draws_command
        ->add_option("--longest", options.longest, "Only those of this label, the longest first: shower")
        ->excludes(label)
        ->excludes(was);
    label->excludes(was);
    draws_command->final_callback([&] { draws(options); });

    add_register(app, options);
    add_calibrate(app, options);
    add_import(app, options);

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

    auto* clock_command = app.add_subcommand("clock", "What is known of the time");
    clock_command->add_flag("--right", options.right,
                            "You say that the server's clock is right now: it is believed from here on");
    clock_command->final_callback([&] { clock_of(options); });

    auto* help_command =
        app.add_subcommand("help", "What a word means (held, spread, revision, ...), or what a command does");
    help_command->add_option("WORD", options.word, "The word or command; all words where it is left out");
    help_command->final_callback([&] { help(app, options); });
}

int stop(ExitStatus status, std::string_view text) {
    std::fflush(stdout);
    fmt::print(stderr, "tickledger: {}\n", harmless_text(text));
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
        return stop(wrong_call, fmt::format("{} See tickledger --help.",
                                            explain_mistake(app, error, {argv + 1, argv + argc})));
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
