// tickledgerd: reads the command line, runs the daemon or one of the other commands, and waits for the signal
// to stop.

#include <malloc.h>
#include <sys/stat.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <atomic>
#include <csignal>
#include <cstdio>

#include "configuration/configuration.hpp"
#include "configuration/parsers.hpp"
#include "listen/listen.hpp"
#include "service/daemon.hpp"
#include "service/journal.hpp"
#include "service/redate.hpp"
#include "service/replay.hpp"
#include "service/version.hpp"
#include "tickledger/civil.hpp"

namespace {

using namespace tickledger;

constexpr int exit_usage = 64;  // EX_USAGE
constexpr const char* installed_configuration = "/etc/tickledger/tickledger.toml";

/// The number of heaps that malloc may use. After each lost link a new thread of the client library receives
/// a burst of messages. If every thread could have its own heap, the C library would keep the memory of one
/// burst in each, and memory would rise for an hour. The measurements are in docs/verification.md.
constexpr int heaps_max = 2;

/// Reads the settings, or writes every mistake to standard error.
std::optional<Configuration> read_or_complain(const std::string& file) {
    ConfigurationReading reading = read_configuration(file);
    for (const Mistake& mistake : reading.mistakes)
        journal_answer(Level::error, mistake.sentence());
    if (!reading.mistakes.empty()) return std::nullopt;
    if (reading.configuration.meters.empty()) {
        journal(Level::warning,
                file +
                    ": no meter is configured, so nothing will be booked. Add a line [[meter]], and "
                    "below it its name and where its messages come from, for example "
                    "id = \"house\" and topic = \"nodes/cellar/water\".");
    }
    return std::move(reading.configuration);
}

int complain(const StartFailure& failure) {
    journal(Level::error, failure.text);
    return failure.exit_status;
}

sigset_t awaited_signals() {
    sigset_t signals;
    sigemptyset(&signals);
    for (const int signal : {SIGTERM, SIGINT, SIGHUP})
        sigaddset(&signals, signal);
    return signals;
}

void reload(Daemon& daemon, const std::string& file) {
    if (auto configuration = read_or_complain(file)) return daemon.reload(std::move(*configuration));
    journal_answer(Level::error,
                   "The configuration was not reloaded because of these mistakes. The old settings stay in "
                   "force until you correct the mistakes and reload.");
}

int run_daemon(Configuration configuration, const std::string& file) {
    ::mallopt(M_ARENA_MAX, heaps_max);
    // Every thread inherits the mask, so only this one receives the signals, in sigwait().
    const sigset_t signals = awaited_signals();
    pthread_sigmask(SIG_BLOCK, &signals, nullptr);
    std::signal(SIGPIPE, SIG_IGN);
    std::atomic<int> status = 0;
    auto daemon = Daemon::start(std::move(configuration), [&status](const StartFailure& failure) {
        status = complain(failure);
        ::kill(::getpid(), SIGTERM);
    });
    if (!daemon) return complain(daemon.error());
    for (int signal = 0; sigwait(&signals, &signal) == 0 && signal == SIGHUP;)
        reload(**daemon, file);
    daemon->reset();
    return status;
}

/// `tickledgerd listen`: shows what a board sends before anything is configured.
class ListenCommand {
public:
    ListenCommand(CLI::App& app, std::string& file) : file_(file) {
        command_ = app.add_subcommand(
            "listen",
            "Listen to a broker, find topics that count, and write a [[meter]] table; books nothing");
        command_->add_option("--broker", order_.broker.url, "mqtt://HOST[:PORT] or mqtts://HOST[:PORT]")
            ->capture_default_str();
        command_->add_option("--topic", order_.filter, "The MQTT topic filter to listen to")
            ->capture_default_str();
        command_->add_option("--for", length_, "How long to listen: 1min, 90s, 1h")->capture_default_str();
        command_->add_option("--meter", order_.topic, "Write only the [[meter]] table of this topic");
        command_->add_option("--username", order_.broker.username, "The user name for the broker");
        command_->add_option("--password-file", order_.broker.password_file,
                             "A file that holds only the password");
        command_->add_option("--ca-file", order_.broker.ca_file,
                             "With mqtts: a PEM file of trusted certificates");
        command_->add_option("--config", file_, "Use [broker] of this configuration instead");
    }

    [[nodiscard]] bool is_asked_for() const { return command_->parsed(); }

    [[nodiscard]] int run() {
        const auto length = parse_duration(length_);
        if (!length || *length <= Duration{0} || *length > std::chrono::hours{24})
            return complain(
                {exit_usage, "--for is \"" + length_ + "\". Give a length of at most a day, such as 1min."});
        order_.length = *length;
        if (const auto filter = parse_topic_filter(order_.filter); !filter)
            return complain({exit_usage, "--topic: " + filter.error().text});
        if (!file_.empty()) {
            const auto configuration = read_or_complain(file_);
            if (!configuration) return exit_status::configuration;
            order_.broker = configuration->broker;
            order_.is_configured = true;
        }
        order_.shows_progress = isatty(STDERR_FILENO) != 0;
        return run_listen(order_);
    }

private:
    std::string& file_;
    CLI::App* command_ = nullptr;
    ListenOrder order_;
    std::string length_ = "1min";
};

/// The moment given as an option; empty if it was not given. Complains if the text is not a moment.
tl::expected<std::optional<Instant>, int> moment_of(const char* option, const std::string& text,
                                                    const Configuration& configuration) {
    if (text.empty()) return std::nullopt;
    const auto zone = CivilZone::find(configuration.timezone);
    const auto time = zone ? zone->parse(text) : Result<Instant>(tl::unexpected(zone.error()));
    if (time) return std::optional(*time);
    return tl::unexpected(complain({exit_usage, std::string(option) + ": " + time.error().text}));
}

int run_redate(const Configuration& configuration, const std::string& since, bool writes) {
    const auto moment = moment_of("--since", since, configuration);
    if (!moment) return moment.error();
    const auto done = redate(configuration, {*moment, writes});
    return done ? 0 : complain(done.error());
}

int run_replay(const Configuration& configuration, ReplayRequest request, const std::string& until) {
    const auto moment = moment_of("--until", until, configuration);
    if (!moment) return moment.error();
    request.until = *moment;
    request.shows_progress = isatty(STDERR_FILENO) != 0;
    const auto done = replay(configuration, request);
    return done ? 0 : complain(done.error());
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app("Keeps the account of the water that houses use.", "tickledgerd");
    app.set_version_flag("--version", std::string("tickledgerd ") + version);
    std::string file;
    bool checks_only = false;
    app.add_option("--config", file, "The configuration file (TOML)");
    app.add_flag(
        "--check-config", checks_only,
        "Print the resolved configuration, or every mistake, and exit; default: the service's configuration");

    CLI::App* replay_command = app.add_subcommand("replay", "Book recorded messages without a broker");
    ReplayRequest request;
    std::string until;
    replay_command->add_option("--config", file, "The configuration file (TOML)");
    replay_command->add_option("--into", request.into,
                               "The ledger file; default <store.directory>/ledger.db");
    replay_command->add_option("--until", until,
                               "Advance the clock to this time; default: the time of the last message");
    replay_command
        ->add_option("RECORDING", request.recordings,
                     "Files or directories of recorded messages; - for standard input")
        ->required();
    CLI::App* redate_command = app.add_subcommand(
        "redate", "Correct the dates in a stopped daemon's store after the server's clock was ahead");
    bool redate_writes = false;
    std::string redate_since;
    redate_command->add_option("--config", file,
                               "The configuration file (TOML); default: the service's file");
    redate_command->add_option("--since", redate_since,
                               "The first stamp that was ahead; default: found in the message log");
    redate_command->add_flag("--write", redate_writes,
                             "Make the change; without it, only report what would be done");
    // Water use shows when a house is empty, so nobody else may read files written here, however the program
    // was started.
    ::umask(077);
    ListenCommand listening(app, file);
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        return app.exit(error) == 0 ? 0 : exit_usage;
    }
    if (listening.is_asked_for()) return listening.run();
    // Default to the service's own file, so that nobody needs to know where it is.
    if (file.empty() && (checks_only || *redate_command)) file = installed_configuration;
    if (file.empty())
        return complain({exit_usage, "No configuration is given. Use: tickledgerd --config FILE"});
    auto configuration = read_or_complain(file);
    if (!configuration) return exit_status::configuration;
    if (checks_only) {
        std::fputs(to_toml(*configuration).c_str(), stdout);
        return 0;
    }
    if (*redate_command) return run_redate(*configuration, redate_since, redate_writes);
    if (*replay_command) return run_replay(*configuration, std::move(request), until);
    return run_daemon(std::move(*configuration), file);
}
