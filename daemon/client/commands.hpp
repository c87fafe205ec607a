// What each command does: asks the daemon, and shows what it answers.
#pragma once

#include <string>

namespace tickledger {

// What the program ends with: 0, or one of these. 69 is EX_UNAVAILABLE of sysexits.
enum ExitStatus : int { refused = 1, wrong_call = 2, not_reachable = 69 };

/// Ends the program from within a command, with a sentence for the person.
struct Stop {
    ExitStatus status;
    std::string text;
};

/// What it says of `import`.
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

/// What the command line says.
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
    /// Likewise, the longest first.
    std::string longest;
    /// What a use was, and a name of one's own for it.
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

// Each throws Stop where it cannot be done, and nlohmann::json::exception on an answer that it does not
// know.
void meters(const Options& options);
void usage(const Options& options);
void draws(const Options& options);
/// What the meter's face should show, or what a person read from it.
void register_of(const Options& options);
void calibrate(const Options& options);
void ledger(const Options& options);
/// The list, or what is done to one of them.
void alarms(const Options& options);
void away(const Options& options);
/// Somebody is at home again.
void back(const Options& options);
/// The imports of a meter, or what is taken in and out.
void import_history(const Options& options);
/// Until it is interrupted.
void watch(const Options& options);
/// What is known of the time, or a person's word that the server's clock is right.
void clock_of(const Options& options);
void health(const Options& options);
/// What a word means. False: it is none of the glossary.
[[nodiscard]] bool explain_word(const Options& options);

}  // namespace tickledger
