// A server whose answers are written in the test, and the real program as its client.
#pragma once

#include <sys/wait.h>

#include <cstdio>
#include <fstream>
#include <map>
#include <mutex>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

#include "serve/http_server.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::test {

struct Run {
    int status = -1;
    std::string out;
    std::string error;
};

/// Answers each target with the document set for it, and records the requests. A stream gets the document set
/// for it, and then nothing more.
class FakeDaemon {
public:
    FakeDaemon() { start(); }

    /// Ends all answers and answers no further request.
    void stop() { server_.reset(); }
    void start() {
        std::vector<ListenSocket> sockets;
        sockets.push_back(ListenSocket::on_path(socket, 0600).value());
        server_ = HttpServer::start(std::move(sockets), {},
                                    [this](const Request& request) { return answer(request); });
    }

    void set(const std::string& target, const std::string& body) {
        const std::lock_guard lock(mutex_);
        bodies_[target] = body;
    }

    void refuse(const std::string& path, unsigned status, const std::string& detail) {
        const std::lock_guard lock(mutex_);
        refusals_[path] = problem(status, detail);
    }

    [[nodiscard]] Run run(const std::string& arguments) const {
        const auto error_file = directory_ / "error";
        const std::string line = "TICKLEDGER_SOCKET='" + socket.string() + "' '" TICKLEDGER_CLIENT "' " +
                                 arguments + " 2>'" + error_file.string() + "'";
        FILE* pipe = ::popen(line.c_str(), "r");
        if (!pipe) throw std::runtime_error("the client cannot be run");
        Run run;
        char bytes[4096];
        for (std::size_t count = 0; (count = std::fread(bytes, 1, sizeof bytes, pipe)) > 0;)
            run.out.append(bytes, count);
        const int status = ::pclose(pipe);
        run.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
        std::ostringstream error;
        error << std::ifstream(error_file).rdbuf();
        run.error = error.str();
        return run;
    }

    [[nodiscard]] std::vector<std::string> asked() {
        const std::lock_guard lock(mutex_);
        return std::exchange(asked_, {});
    }
    /// The bodies of the requests since the last call.
    [[nodiscard]] std::vector<std::string> bodies() {
        const std::lock_guard lock(mutex_);
        return std::exchange(asked_bodies_, {});
    }

private:
    Response answer(const Request& request) {
        std::string target = request.path;
        for (const auto& [name, value] : request.query) {
            target += (target == request.path ? "?" : "&") + name + "=" + value;
        }
        const std::lock_guard lock(mutex_);
        asked_.push_back(target);
        asked_bodies_.push_back(request.body);
        if (const auto refused = refusals_.find(request.path); refused != refusals_.end())
            return refused->second;
        auto found = bodies_.find(target);
        if (found == bodies_.end()) found = bodies_.find(request.path);
        if (found == bodies_.end()) return problem(404, "There is nothing at " + target + ".");
        Response response;
        if (target.starts_with("/v1/stream")) {
            response.content_type = "text/event-stream";
            response.news = [events = found->second](std::string& chunk) mutable -> Result<void> {
                chunk = std::exchange(events, {});
                return {};
            };
        } else {
            response.body = found->second + "\n";
        }
        return response;
    }

    TempDirectory directory_;
    std::map<std::string, std::string> bodies_;
    std::map<std::string, Response> refusals_;
    std::mutex mutex_;
    std::vector<std::string> asked_;
    std::vector<std::string> asked_bodies_;

public:
    std::filesystem::path socket = directory_ / "api.sock";

private:
    std::unique_ptr<HttpServer> server_;
};

}  // namespace tickledger::test
