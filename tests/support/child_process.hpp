// A program that a test starts, watches and ends by its process id.
#pragma once

#include <sys/types.h>

#include <chrono>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "support/wait_until.hpp"

namespace tickledger::test {

/// Its standard output and standard error go to files. The destructor kills it if it still runs. The kernel
/// kills it if the thread that started it ends or the test crashes.
class ChildProcess {
public:
    struct Files {
        std::filesystem::path in = "/dev/null";
        std::filesystem::path out = "/dev/null";
        std::filesystem::path error = "/dev/null";
    };

    /// `arguments[0]` is the program, looked up in PATH.
    ChildProcess(const std::vector<std::string>& arguments, const Files& files);
    ~ChildProcess();
    ChildProcess(const ChildProcess&) = delete;
    ChildProcess& operator=(const ChildProcess&) = delete;

    [[nodiscard]] pid_t pid() const { return pid_; }
    [[nodiscard]] bool is_running();
    void signal(int number);
    /// Its exit status (128 + signal if a signal ended it), or nothing if it still runs at the deadline.
    [[nodiscard]] std::optional<int> wait(std::chrono::milliseconds deadline = patience);

private:
    pid_t pid_ = -1;
    std::optional<int> status_;
};

/// Runs a program to its end and returns its standard output. Throws if it fails or hangs.
std::string run(const std::vector<std::string>& arguments, const std::string& input = {});

/// The whole of a file; empty if it is not there.
[[nodiscard]] std::string read_file(const std::filesystem::path& file);

}  // namespace tickledger::test
