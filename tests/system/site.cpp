#include "system/site.hpp"

#include <fmt/format.h>
#include <signal.h>

#include <cmath>
#include <fstream>
#include <stdexcept>

#include "serve/raw_client.hpp"

namespace tickledger::test {

std::string program(const std::string& name) {
    return std::string(TICKLEDGER_BUILD_DIR) +
           (name == "tickledgerd" ? "/daemon/service/" : "/daemon/client/") + name;
}

Outcome run_to_end(const std::vector<std::string>& arguments, std::chrono::milliseconds deadline) {
    const TempDirectory directory;
    ChildProcess child(arguments, {"/dev/null", directory / "out", directory / "error"});
    const auto status = child.wait(deadline);
    return {status, read_file(directory / "out"), read_file(directory / "error")};
}

Site::Site(const Options& options)
    : store_(options.store_directory.empty() ? directory_ / "store" : options.store_directory),
      has_jumping_clock_(options.has_jumping_clock) {
    static_cast<void>(directory_.write(
        "tickledger.toml",
        fmt::format("[site]\ntimezone = \"{}\"\n[broker]\nurl = \"{}\"\n[store]\ndirectory = \"{}\"\n{}\n"
                    "[socket]\npath = \"{}\"\n{}\n",
                    options.timezone, options.broker_url, store_.string(), options.store, socket().string(),
                    options.meters)));
}

void Site::launch() {
    const auto journal = directory_ / fmt::format("journal-{:04}", ++launches_);
    std::vector<std::string> line{program("tickledgerd"), "--config", config().string()};
    // env replaces itself with the program, so the process is the daemon.
    if (has_jumping_clock_)
        line.insert(line.begin(), {"/usr/bin/env", "LD_PRELOAD=" TICKLEDGER_JUMPING_CLOCK,
                                   "TICKLEDGER_TEST_CLOCK=" + (directory_ / "clock").string()});
    daemon_ = std::make_unique<ChildProcess>(line, ChildProcess::Files{"/dev/null", "/dev/null", journal});
}

void Site::start() {
    launch();
    const bool settled = wait_until([&] { return answers() || !daemon_->is_running(); });
    if (!settled || !daemon_->is_running())
        throw std::runtime_error("the daemon did not start: " + journal());
}

void Site::clock_is_ahead(std::chrono::seconds by) const {
    const auto fresh = directory_ / "clock.new";
    std::ofstream(fresh) << by.count() << "\n";
    // The rename is atomic, so no partial number is read.
    std::filesystem::rename(fresh, directory_ / "clock");
}

std::optional<int> Site::stop() {
    daemon_->signal(SIGTERM);
    return daemon_->wait();
}

void Site::kill() {
    daemon_->signal(SIGKILL);
    if (!daemon_->wait()) throw std::runtime_error("the daemon did not end");
}

std::string Site::text(const std::string& target) const {
    const RawAnswer answer = test::get(socket(), target);
    if (answer.status != 200) throw std::runtime_error(target + ": " + answer.head + answer.body);
    return answer.body;
}

nlohmann::json Site::get(const std::string& target) const {
    return nlohmann::json::parse(text(target));
}

std::map<std::string, std::int64_t> Site::registers() const {
    std::map<std::string, std::int64_t> ticks;
    const nlohmann::json answer = get("/v1/meters");
    for (const nlohmann::json& meter : answer.at("meters")) {
        const nlohmann::json& shown = meter.at("register_m3");
        ticks[meter.at("id")] = shown.is_null() ? -1 : std::llround(shown.get<double>() * 1000);
    }
    return ticks;
}

bool Site::becomes_subscribed() const {
    return wait_until([&] { return get("/v1/health").at("broker").at("subscribed") == true; });
}

bool Site::answers() const {
    try {
        return test::get(socket(), "/v1/health").status == 200;
    } catch (const std::exception&) {
        return false;
    }
}

Outcome Site::client(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), {program("tickledger"), "--socket", socket().string()});
    return run_to_end(arguments);
}

Outcome Site::replay(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), {program("tickledgerd"), "replay", "--config", config().string()});
    return run_to_end(arguments, 2 * patience);
}

std::string Site::journal() const {
    std::string all;
    for (int launch = 1; launch <= launches_; ++launch)
        all += read_file(directory_ / fmt::format("journal-{:04}", launch));
    return all;
}

std::int64_t ticks_of(const nlohmann::json& usage) {
    std::int64_t sum = 0;
    for (const auto& row : usage.at("rows")) {
        if (!row.at("ticks").is_null()) sum += row.at("ticks").get<std::int64_t>();
    }
    return sum;
}

std::int64_t resident_kb(pid_t pid) {
    std::ifstream status("/proc/" + std::to_string(pid) + "/status");
    for (std::string line; std::getline(status, line);) {
        if (line.starts_with("VmRSS:")) return std::stoll(line.substr(6));
    }
    return 0;
}

}  // namespace tickledger::test
