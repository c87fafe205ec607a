// An installation for one test: a directory, a configuration, the real daemon and the real client.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "support/child_process.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::test {

/// The path of a program of this build: "tickledgerd" or "tickledger".
[[nodiscard]] std::string program(const std::string& name);

/// Query parameters for the whole ledger.
inline constexpr const char* all_days = "from=2020-01-01&to=2100-01-01";

/// How a program ended, and what it wrote.
struct Outcome {
    std::optional<int> status;  ///< Empty if it did not end within the deadline.
    std::string out;
    std::string error;
};

[[nodiscard]] Outcome run_to_end(const std::vector<std::string>& arguments,
                                 std::chrono::milliseconds deadline = patience);

/// For Options::meters, if any plain meter will do.
inline constexpr const char* one_meter = R"(
[[meter]]
id = "house"
topic = "nodes/house"
)";

/// Likewise, if each message must be one tick, however fast they arrive.
inline constexpr const char* pulses_of_a_garden = R"(
[[meter]]
id = "garden"
topic = "nodes/garden/water"
message = "pulses"
q3 = "1000000 m3/h"
)";

class Site {
public:
    struct Options {
        std::string broker_url = "mqtt://127.0.0.1:1";  ///< Nobody listens there.
        std::string timezone = "UTC";
        /// The [[meter]] tables.
        std::string meters = {};
        /// Further lines of [store].
        std::string store = {};
        /// The store's directory; if empty, it is in the site's own directory.
        std::filesystem::path store_directory = {};
        /// The daemon's civil clock is ahead of the machine's by the value given to clock_is_ahead().
        bool has_jumping_clock = false;
    };

    explicit Site(const Options& options);

    /// Starts the daemon and returns when its socket answers. Otherwise throws with the daemon's journal.
    void start();
    /// Starts the daemon and returns at once.
    void launch();
    /// SIGTERM; returns the exit status.
    std::optional<int> stop();
    void kill();
    [[nodiscard]] ChildProcess& daemon() { return *daemon_; }
    /// Makes the site's jumping clock jump, so that it is ahead by this much.
    void clock_is_ahead(std::chrono::seconds by) const;

    /// The body of an answer with status 200. Throws on any other status, and if nothing answers.
    [[nodiscard]] std::string text(const std::string& target) const;
    [[nodiscard]] nlohmann::json get(const std::string& target) const;
    /// The advance of each meter's register, in ticks of a litre; -1 if it shows nothing.
    [[nodiscard]] std::map<std::string, std::int64_t> registers() const;
    /// Waits until the broker has granted the daemon every subscription. False if the deadline passes first.
    [[nodiscard]] bool becomes_subscribed() const;
    /// Whether the socket answers.
    [[nodiscard]] bool answers() const;

    [[nodiscard]] Outcome client(std::vector<std::string> arguments) const;
    [[nodiscard]] Outcome replay(std::vector<std::string> arguments) const;

    [[nodiscard]] std::filesystem::path config() const { return directory_ / "tickledger.toml"; }
    [[nodiscard]] std::filesystem::path socket() const { return directory_ / "api.sock"; }
    [[nodiscard]] const std::filesystem::path& store() const { return store_; }
    [[nodiscard]] const TempDirectory& directory() const { return directory_; }
    /// Everything that the site's daemons have written to standard error.
    [[nodiscard]] std::string journal() const;

private:
    TempDirectory directory_;
    std::filesystem::path store_;
    std::unique_ptr<ChildProcess> daemon_;
    bool has_jumping_clock_;
    int launches_ = 0;
};

/// The ticks of all rows of a `usage` answer. Rows without data add nothing.
[[nodiscard]] std::int64_t ticks_of(const nlohmann::json& usage);

/// The resident memory of a process from /proc (proc(5), VmRSS); 0 if there is no such process.
[[nodiscard]] std::int64_t resident_kb(pid_t pid);

}  // namespace tickledger::test
