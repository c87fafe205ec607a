// A real broker on loopback, for one test.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "support/child_process.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::test {

/// A port of 127.0.0.1 below the range for outgoing connections. Nobody else takes it while its listener is
/// down, and no client can connect to itself there.
[[nodiscard]] std::uint16_t some_free_port();

/// Starts mosquitto on a free port of 127.0.0.1 with its data in a temporary directory. Both stay the same
/// across stop(), kill() and start(). Every call has a deadline and throws when it passes.
class MosquittoProcess {
public:
    struct Options {
        /// Keeps sessions and queues across stop(). mosquitto does not keep them across kill().
        bool persistence = true;
        /// If set, only this user may connect.
        std::string username;
        std::string password;
        /// If set, the listener uses TLS with these files.
        std::filesystem::path tls_ca_file;
        std::filesystem::path tls_cert_file;
        std::filesystem::path tls_key_file;
        bool tls_requires_certificate = false;
        /// Further lines of mosquitto.conf.
        std::string more;
    };

    explicit MosquittoProcess(Options options);
    MosquittoProcess() : MosquittoProcess(Options{}) {}

    /// Returns when the port accepts connections.
    void start();
    /// SIGTERM: it saves its data and ends.
    void stop();
    /// SIGKILL.
    void kill();
    /// SIGSTOP and SIGCONT: the connections stay open, but nothing answers.
    void freeze();
    void thaw();

    [[nodiscard]] std::uint16_t port() const { return port_; }
    [[nodiscard]] std::string url() const;
    [[nodiscard]] const TempDirectory& directory() const { return directory_; }
    /// Its log so far.
    [[nodiscard]] std::string log() const { return read_file(directory_ / "mosquitto.log"); }

    /// Publishes with mosquitto_pub and QoS 1; returns once the broker has acknowledged.
    void publish(const std::string& topic, const std::string& payload, bool retained = false) const;
    /// One message for each line, over one connection.
    void publish_lines(const std::string& topic, const std::vector<std::string>& payloads) const;
    /// The retained message of a topic; empty if none arrives within a second.
    [[nodiscard]] std::string retained(const std::string& topic) const;

    /// The arguments that connect mosquitto_pub and mosquitto_sub to this broker.
    [[nodiscard]] std::vector<std::string> client_arguments(const std::string& program) const;

private:
    void write_configuration() const;

    Options options_;
    TempDirectory directory_;
    std::uint16_t port_ = 0;
    std::unique_ptr<ChildProcess> process_;
};

/// A subscribed mosquitto_sub, one for each filter and broker. It writes "TOPIC PAYLOAD" lines.
class Watcher {
public:
    Watcher(const MosquittoProcess& broker, const std::string& filter);
    /// The lines so far.
    [[nodiscard]] std::vector<std::string> lines() const;
    [[nodiscard]] std::size_t count(const std::string& line) const;

private:
    TempDirectory directory_;
    ChildProcess process_;
};

}  // namespace tickledger::test
