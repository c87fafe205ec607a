#include "support/mosquitto_process.hpp"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <signal.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <random>
#include <sstream>
#include <stdexcept>

namespace tickledger::test {
namespace {

bool with_socket(std::uint16_t port, int (*use)(int, const sockaddr*, socklen_t)) {
    const int socket = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    const int yes = 1;
    ::setsockopt(socket, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    address.sin_port = htons(port);
    const bool done = use(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
    ::close(socket);
    return done;
}

}  // namespace

std::uint16_t some_free_port() {
    std::random_device random;
    std::uniform_int_distribution<int> port(20000, 32000);
    for (int tries = 0; tries < 1000; ++tries) {
        const auto candidate = static_cast<std::uint16_t>(port(random));
        if (with_socket(candidate, ::bind)) return candidate;
    }
    throw std::runtime_error("no free port on loopback");
}

MosquittoProcess::MosquittoProcess(Options options) : options_(std::move(options)) {
    // Another test may take the port between the check and the start. Then another port is tried.
    for (int tries = 0; tries < 5; ++tries) {
        port_ = some_free_port();
        write_configuration();
        try {
            start();
            return;
        } catch (const std::runtime_error&) {
            if (tries == 4) throw;
        }
    }
}

void MosquittoProcess::write_configuration() const {
    const std::string directory = directory_.path().string();
    std::ostringstream out;
    // As root, mosquitto would change to a user that may not write here.
    out << "user root\nlistener " << port_ << " 127.0.0.1\n"
        << "log_dest file " << directory << "/mosquitto.log\nlog_type error\nlog_type warning\n"
        << "log_type notice\nlog_type information\nlog_type subscribe\n"
        << "persistence " << (options_.persistence ? "true" : "false") << "\npersistence_location "
        << directory << "/\nmax_queued_messages 0\n"
        << "allow_anonymous " << (options_.username.empty() ? "true" : "false") << "\n";
    if (!options_.username.empty()) {
        const std::string file = directory + "/passwords";
        run({"mosquitto_passwd", "-b", "-c", file, options_.username, options_.password});
        out << "password_file " << file << "\n";
    }
    if (!options_.tls_cert_file.empty()) {
        out << "cafile " << options_.tls_ca_file.string() << "\ncertfile " << options_.tls_cert_file.string()
            << "\nkeyfile " << options_.tls_key_file.string() << "\nrequire_certificate "
            << (options_.tls_requires_certificate ? "true" : "false") << "\n";
    }
    out << options_.more << "\n";
    static_cast<void>(directory_.write("mosquitto.conf", out.str()));
}

void MosquittoProcess::start() {
    // A second broker would compete for the port.
    if (process_ && process_->is_running()) throw std::logic_error("the test's mosquitto is already running");
    const std::size_t logged_before = log().size();
    process_ = std::make_unique<ChildProcess>(
        std::vector<std::string>{"mosquitto", "-c", (directory_ / "mosquitto.conf").string()},
        ChildProcess::Files{"/dev/null", "/dev/null", directory_ / "mosquitto.error"});
    const auto is_up = [&] {
        return log().find(" running", logged_before) != std::string::npos && with_socket(port_, ::connect);
    };
    const bool settled = wait_until([&] { return is_up() || !process_->is_running(); });
    if (!settled || !process_->is_running()) {
        throw std::runtime_error("mosquitto did not start: " + read_file(directory_ / "mosquitto.error") +
                                 log());
    }
}

void MosquittoProcess::stop() {
    // A signal just before mosquitto's loop begins is lost, so it is sent until the broker ends.
    const bool has_ended = wait_until([&] {
        process_->signal(SIGTERM);
        return process_->wait(std::chrono::milliseconds{500}).has_value();
    });
    if (!has_ended) throw std::runtime_error("mosquitto did not end");
}

void MosquittoProcess::kill() {
    process_->signal(SIGKILL);
    if (!process_->wait()) throw std::runtime_error("mosquitto did not end");
}

void MosquittoProcess::freeze() {
    process_->signal(SIGSTOP);
}
void MosquittoProcess::thaw() {
    process_->signal(SIGCONT);
}

std::string MosquittoProcess::url() const {
    return (options_.tls_cert_file.empty() ? "mqtt://127.0.0.1:" : "mqtts://127.0.0.1:") +
           std::to_string(port_);
}

std::vector<std::string> MosquittoProcess::client_arguments(const std::string& program) const {
    std::vector<std::string> arguments{program, "-h", "127.0.0.1", "-p", std::to_string(port_), "-q", "1"};
    const auto add = [&](const std::string& option, const std::string& value) {
        if (!value.empty()) arguments.insert(arguments.end(), {option, value});
    };
    add("-u", options_.username);
    add("-P", options_.password);
    add("--cafile", options_.tls_ca_file.string());
    return arguments;
}

void MosquittoProcess::publish(const std::string& topic, const std::string& payload, bool retained) const {
    auto arguments = client_arguments("mosquitto_pub");
    arguments.insert(arguments.end(), {"-t", topic, "-m", payload});
    if (retained) arguments.emplace_back("-r");
    run(arguments);
}

void MosquittoProcess::publish_lines(const std::string& topic,
                                     const std::vector<std::string>& payloads) const {
    std::string input;
    for (const auto& payload : payloads)
        input += payload + "\n";
    auto arguments = client_arguments("mosquitto_pub");
    arguments.insert(arguments.end(), {"-t", topic, "-l"});
    run(arguments, input);
}

std::string MosquittoProcess::retained(const std::string& topic) const {
    auto arguments = client_arguments("mosquitto_sub");
    arguments.insert(arguments.end(), {"-t", topic, "-C", "1", "-W", "1", "--retained-only", "-F", "%p"});
    const TempDirectory directory;
    ChildProcess child(arguments, {"/dev/null", directory / "out", "/dev/null"});
    static_cast<void>(child.wait());
    std::string payload = read_file(directory / "out");
    if (payload.ends_with('\n')) payload.pop_back();
    return payload;
}

Watcher::Watcher(const MosquittoProcess& broker, const std::string& filter)
    : process_(
          [&] {
              auto arguments = broker.client_arguments("mosquitto_sub");
              arguments.insert(arguments.end(), {"-i", "watcher of " + filter, "-t", filter, "-F", "%t %p"});
              return arguments;
          }(),
          {"/dev/null", directory_ / "out", directory_ / "error"}) {
    const std::string logged = "watcher of " + filter + " 1 " + filter;
    if (!wait_until([&] { return broker.log().find(logged) != std::string::npos; })) {
        throw std::runtime_error("mosquitto_sub did not subscribe: " + read_file(directory_ / "error") +
                                 broker.log());
    }
}

std::vector<std::string> Watcher::lines() const {
    std::istringstream in(read_file(directory_ / "out"));
    std::vector<std::string> lines;
    for (std::string line; std::getline(in, line);)
        lines.push_back(line);
    return lines;
}

std::size_t Watcher::count(const std::string& line) const {
    const auto all = lines();
    return static_cast<std::size_t>(std::count(all.begin(), all.end(), line));
}

}  // namespace tickledger::test
