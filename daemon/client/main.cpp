// The tickledger command: defines its command line and runs its commands.
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
    command.add_option("METER", options.meter, "The meter's id or name; all meters if it is left out");
}

void add_range(CLI::App& command, Options& options) {
    auto* from = command.add_option("--from", options.from,
                                    "The start of the range: a date of the site (2026-03-01), a time "
                                    "(2026-03-01T08:00:00+01:00), yesterday, or a length of time ago: 2w, "
                                    "10d, 36h");
    auto* to = command.add_option("--to", options.to, "The end of the range, exclusive; in the same forms");
    auto* day = command.add_option("--day", options.day, "One day: today, yesterday or a date");
    auto* month = command.add_option("--month", options.month, "One month: 2026-03");
    auto* last = command.add_option("--last", options.last,
                                    "The time up to now: 7d (today and the six days before), 2w, 24h, 90min");
    for (auto* one : {day, month, last}) {
        one->excludes(from)->excludes(to);
        for (auto* other : {day, month, last}) {
            if (one != other) one->excludes(other);
        }
    }
}

void add_alarms(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand("alarms", "List alarms, newest first, or change the state of one");
    add_meter(*command, options);
    auto* state = command->add_option(
        "--state", options.state,
        "Only alarms in this state: unacknowledged, acknowledged, returned-unacknowledged, normal or "
        "shelved");
    auto* acknowledge = command->add_option("--acknowledge", options.acknowledge,
                                            "Say that you have seen the alarm with this id");
    auto* unacknowledge = command->add_option("--unacknowledge", options.unacknowledge,
                                              "Undo --acknowledge: the alarm asks for attention again");
    auto* all = command->add_flag("--acknowledge-all", options.acknowledge_all,
                                  "Acknowledge all alarms, or all alarms of METER");
    auto* shelve = command->add_option("--shelve", options.shelve,
                                       "Silence the alarm with this id for the time given with --for");
    auto* unshelve = command->add_option("--unshelve", options.unshelve, "End the silence early");
    auto* length = command
                       ->add_option("--for", options.length,
                                    "How long to shelve it, 31 days at most: 1w, 2d, 12h, 90min")
                       ->needs(shelve);
    shelve->needs(length);
    const std::array<CLI::Option*, 5> acts{acknowledge, unacknowledge, all, shelve, unshelve};
    for (auto* one : acts) {
        one->excludes(state);
        for (auto* other : acts) {
            if (one != other) one->excludes(other);
        }
    }
    command->footer(
        "An alarm is a household hint, not a safety device. A shelved alarm stays silent, whatever happens.");
    command->final_callback([&options] { alarms(options); });
}

void add_away(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "away",
        "Say that nobody is at home: any tick raises away-use until `tickledger back` or the given time");
    command->add_option("METER", options.meter,
                        "The meter's id or name; may be left out if there is only one");
    auto* from = command->add_option("--from", options.from,
                                     "When everybody leaves: a date or a time; now if it is left out");
    auto* until = command->add_option("--until", options.until, "When somebody is back: a date or a time");
    command->add_option("--for", options.length, "How long from now: 2w, 14d, 12h")->excludes(until, from);
    command->footer(
        "An alarm is a household hint, not a safety device. Shut the main valve when you leave for long.");
    command->final_callback([&options] { away(options); });

    auto* back_command =
        app.add_subcommand("back", "Say that somebody is at home again: ends `tickledger away`");
    back_command->add_option("METER", options.meter,
                             "The meter's id or name; may be left out if there is only one");
    back_command->final_callback([&options] { back(options); });
}

void add_calibrate(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "calibrate", "Compute the real pulse value from the readings of the register by eye");
    add_meter(*command, options);
    auto* from =
        command->add_option("--apply-from", options.apply_from,
                            "Apply the computed value from this date on; earlier ticks keep their value");
    command->add_option("--pulse-value", options.pulse_value, "Apply this value instead: \"0.998 L\"")
        ->needs(from);
    command->final_callback([&options] { calibrate(options); });
}

void add_register(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "register",
        "Show what the meter's face should show; --set enters what it does show, and the ledger follows");
    add_meter(*command, options);
    auto* reading = command->add_option(
        "--set", options.reading,
        "The register as read by eye, with all its digits: 1234.567 (m3), \"43613.2 ft3\"");
    auto* start = command->add_option(
        "--start", options.start,
        "The first reading, in the same form: the register starts there and nothing is adjusted");
    auto* back =
        command->add_option("--take-back", options.take_back, "Take back the reading made at this time");
    command->add_option("--at", options.at, "When the register was read: a date or a time; default: now")
        ->excludes(back);
    command
        ->add_flag("--yes", options.yes,
                   "Book it without asking, even if it removes counted water or adds water that was not "
                   "counted")
        ->needs(reading);
    reading->excludes(start)->excludes(back);
    start->excludes(back);
    command->footer(
        "Never open a meter or break its seal to read it. The utility's reading is what is billed.");
    command->final_callback([&options] { register_of(options); });
}

void add_import(CLI::App& app, Options& options) {
    auto* command = app.add_subcommand(
        "import",
        "Import records from before the first reading from a CSV file; without a file, list the imports");
    ImportOptions& import = options.import;
    command->add_option("METER", options.meter, "The meter's id or name");
    auto* file = command->add_option("FILE", import.file, "The CSV file; a dry run unless --book is given");
    command->add_option("--time", import.time, "The column of times: its name, or its number from 1");
    auto* shown = command->add_option("--register", import.register_column,
                                      "The column of register readings, named in the same way");
    command
        ->add_option("--consumption", import.consumption,
                     "The column of volumes per row, instead of --register")
        ->excludes(shown);
    command->add_option("--unit", import.unit, "The unit: m3, L, gal_us, gal_imp or ft3");
    command->add_option("--zone", import.zone,
                        "The zone of times without an offset: Europe/Berlin; default: the site's");
    command->add_option("--delimiter", import.delimiter,
                        "The character between two columns: ';', ',' or tab");
    command->add_option("--decimal", import.decimal, "The decimal mark: . or ,");
    command->add_option("--dates", import.dates, "What 3/4/2025 means: day-first or month-first");
    command->add_flag("--ends", import.times_are_ends,
                      "With --consumption: the time of a row is its end, not its beginning");
    command->add_option("--as", import.name,
                        "The import's name, needed to undo it; default: the file's name");
    auto* book = command->add_flag("--book", import.book, "Import the records");
    auto* undo = command->add_option("--undo", import.undo, "Remove the import of this name");
    undo->excludes(file)->excludes(book);
    book->needs(file);
    command->footer(
        "Options that you leave out are guessed, and the guesses are shown. An import does not "
        "change the register.");
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
        fmt::print("{}", command->help("tickledger"));
        return;
    }
    if (explain_word(options)) return;
    std::vector<std::string> known = commands_of(app);
    for (const Explained& one : glossary())
        known.push_back(one.word);
    throw Stop{
        wrong_call,
        fmt::format("\"{}\" is neither a word of the glossary nor a command{} tickledger help lists the "
                    "words.",
                    options.word, did_you_mean(options.word, known))};
}

/// Explains what is wrong with a command line, with the command or option that was probably meant.
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
    auto* json =
        app.add_flag("--json", options.json, "Print the daemon's answers unchanged, one document per line");
    auto* csv =
        app.add_flag(
               "--csv", options.csv,
               "Print CSV (RFC 4180): units in the header, decimal points, empty fields if there is no data")
            ->excludes(json);
    app.add_flag("--spreadsheet", options.spreadsheet,
                 "With --csv: put an apostrophe before a text that begins like a formula (= + - @)")
        ->needs(csv);
    app.footer("Exit status: 0 done, 1 refused by the daemon, 2 wrong usage, 69 daemon not reachable.");

    app.add_subcommand("meters", "List every meter with its register and its present flow")
        ->final_callback([&] { meters(options); });

    auto* usage_command = app.add_subcommand("usage", "Show how much water ran, in rows of civil time");
    add_meter(*usage_command, options);
    usage_command->add_option("--step", options.step,
                              "The length of a row: interval, hour, day, week, month or year");
    usage_command->add_flag("--cost", options.cost, "Add the cost by the configured tariff");
    usage_command->add_option("--group", options.group, "Only the meters of this group");
    usage_command->add_flag("--wide", options.wide, "With --csv: one column per meter, litres only");
    usage_command->add_flag("--bars", options.bars, "Draw a bar in each row, as on a terminal");
    add_range(*usage_command, options);
    usage_command->final_callback([&] { usage(options); });

    auto* draws_command = app.add_subcommand(
        "draws", "List single uses of water: when, how long, how much, and the probable purpose");
    add_meter(*draws_command, options);
    add_range(*draws_command, options);
    auto* was = draws_command->add_option(
        "--was", options.was,
        "With --at: say what that use was: flush, shower, tap, washer, bath, hose; nothing takes it back");
    auto* at = draws_command->add_option("--at", options.at,
                                         "A moment in that use: a time, or 07:10 for the latest 07:10");
    was->needs(at);
    at->needs(was);
    draws_command->add_option("--named", options.named, "Your own name for this use and similar ones")
        ->needs(was);
    auto* label = draws_command->add_option(
        "--label", options.label,
        "Only uses with this label: flush, shower, tap, washer, bath, hose, leak or unknown");
    draws_command
        ->add_option("--longest", options.longest, "Only uses with this label, the longest first: shower")
        ->excludes(label)
        ->excludes(was);
    label->excludes(was);
    draws_command->final_callback([&] { draws(options); });

    add_register(app, options);
    add_calibrate(app, options);
    add_import(app, options);

    auto* ledger_command = app.add_subcommand("ledger", "List the ledger's entries and the refused messages");
    add_meter(*ledger_command, options);
    add_range(*ledger_command, options);
    ledger_command->final_callback([&] { ledger(options); });

    add_alarms(app, options);
    add_away(app, options);

    auto* watch_command = app.add_subcommand(
        "watch", "Show events as they happen until Ctrl-C: flow, draws, alarms and troubles");
    add_meter(*watch_command, options);
    watch_command->final_callback([&] { watch(options); });

    app.add_subcommand("health", "Show the daemon's state and troubles")->final_callback([&] {
        health(options);
    });

    auto* clock_command = app.add_subcommand("clock", "Show what the daemon knows about the time");
    clock_command->add_flag("--right", options.right,
                            "Say that the server's clock is right; the daemon believes it from now on");
    clock_command->final_callback([&] { clock_of(options); });

    auto* help_command =
        app.add_subcommand("help", "Explain a word of the ledger (held, spread, revision, ...) or a command");
    help_command->add_option("WORD", options.word, "The word or command; all words if it is left out");
    help_command->final_callback([&] { help(app, options); });
}

/// An empty argument comes from a variable of a script that has no value. It must not mean "all" or "the
/// default".
void refuse_empty(CLI::App& command) {
    for (CLI::Option* option : command.get_options()) {
        const bool is_flag = option->get_items_expected_max() == 0;
        if (is_flag) continue;
        option->check([name = option->get_name()](const std::string& text) {
            if (text.empty()) throw Stop{wrong_call, name + " is empty. Give a value, or leave it out."};
            return std::string{};
        });
    }
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
    for (CLI::App* command : app.get_subcommands(nullptr))
        refuse_empty(*command);
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& help) {
        return app.exit(help);
    } catch (const CLI::ParseError& error) {
        std::string mistake = explain_mistake(app, error, {argv + 1, argv + argc});
        if (!mistake.ends_with('.') && !mistake.ends_with('?')) mistake += '.';
        return stop(wrong_call, mistake + " See tickledger --help.");
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
