// The commands: each asks the daemon and shows the answer.
#pragma once

#include <string>

namespace tickledger {

// The exit status if it is not 0. 69 is EX_UNAVAILABLE of sysexits.
enum ExitStatus : int { refused = 1, wrong_call = 2, not_reachable = 69 };

/// Thrown to end the program from within a command, with a sentence for the person.
struct Stop {
    ExitStatus status;
    std::string text;
};

/// The options of `import`.
struct ImportOptions {
    std::string file;
    std::string time;
    std::string register_column;
    std::string consumption;
    std::string unit;
    std::string zone;
    std::string delimiter;
    std::string decimal;
    std::string dates;
    bool times_are_ends = false;
    std::string name;
    std::string undo;
    bool book = false;
};

/// The options of the command line.
struct Options {
    std::string socket = "/run/tickledger/api.sock";
    bool json = false;
    bool csv = false;
    bool spreadsheet = false;
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
    /// Only draws with this label, the longest first.
    std::string longest;
    /// What a draw was, and the person's own name for it.
    std::string was;
    std::string named;
    std::string state;
    std::string acknowledge;
    std::string unacknowledge;
    bool acknowledge_all = false;
    std::string shelve;
    std::string unshelve;
    std::string length;
    std::string until;
    std::string group;
    std::string word;
    bool wide = false;
    bool yes = false;
    bool right = false;
    std::string reading;
    std::string start;
    std::string at;
    std::string take_back;
    std::string apply_from;
    std::string pulse_value;
    ImportOptions import;
};

// Each command throws Stop if it fails, and nlohmann::json::exception on an answer that it does not
// understand.
void meters(const Options& options);
void usage(const Options& options);
void draws(const Options& options);
/// Shows what the meter's face should show, or sends what a person read from it.
void register_of(const Options& options);
void calibrate(const Options& options);
void ledger(const Options& options);
/// Lists the alarms, or changes some.
void alarms(const Options& options);
void away(const Options& options);
/// Ends `away`.
void back(const Options& options);
/// Lists the imports of a meter, books one, or undoes one.
void import_history(const Options& options);
/// Shows events until it is interrupted.
void watch(const Options& options);
/// Shows what is known of the time, or sends a person's word that the server's clock is right.
void clock_of(const Options& options);
void health(const Options& options);
/// Explains a word. False if it is not in the glossary.
[[nodiscard]] bool explain_word(const Options& options);

}  // namespace tickledger
