#include "support/child_process.hpp"

#include <fcntl.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <sstream>
#include <stdexcept>

#include "support/temp_directory.hpp"

namespace tickledger::test {
namespace {

/// Runs in the child between fork and exec, so it does only what is safe there.
[[noreturn]] void become(char* const* arguments, const char* in, const char* out, const char* error) {
    ::prctl(PR_SET_PDEATHSIG, SIGKILL);
    const int in_file = ::open(in, O_RDONLY);
    const int out_file = ::open(out, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    const int error_file = ::open(error, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    ::dup2(in_file, 0);
    ::dup2(out_file, 1);
    ::dup2(error_file, 2);
    ::execvp(arguments[0], arguments);
    ::_exit(127);
}

}  // namespace

ChildProcess::ChildProcess(const std::vector<std::string>& arguments, const Files& files) {
    std::vector<std::string> copy = arguments;
    std::vector<char*> pointers;
    for (auto& argument : copy)
        pointers.push_back(argument.data());
    pointers.push_back(nullptr);
    const std::string in = files.in.string();
    const std::string out = files.out.string();
    const std::string error = files.error.string();
    pid_ = ::fork();
    if (pid_ == 0) become(pointers.data(), in.c_str(), out.c_str(), error.c_str());
    if (pid_ < 0) throw std::runtime_error("cannot start " + arguments[0]);
}

ChildProcess::~ChildProcess() {
    if (is_running()) {
        ::kill(pid_, SIGKILL);
        ::waitpid(pid_, nullptr, 0);
    }
}

bool ChildProcess::is_running() {
    if (status_) return false;
    int status = 0;
    if (::waitpid(pid_, &status, WNOHANG) != pid_) return true;
    status_ = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    return false;
}

void ChildProcess::signal(int number) {
    if (is_running()) ::kill(pid_, number);
}

std::optional<int> ChildProcess::wait(std::chrono::milliseconds deadline) {
    if (!wait_until([this] { return !is_running(); }, deadline)) return std::nullopt;
    return status_;
}

std::string run(const std::vector<std::string>& arguments, const std::string& input) {
    const TempDirectory directory;
    ChildProcess::Files files{directory.write("in", input), directory / "out", directory / "error"};
    ChildProcess child(arguments, files);
    const auto status = child.wait();
    if (!status || *status != 0) {
        throw std::runtime_error(arguments[0] +
                                 (status ? " ended with " + std::to_string(*status) : " hangs") + ": " +
                                 read_file(files.error));
    }
    return read_file(files.out);
}

std::string read_file(const std::filesystem::path& file) {
    std::ostringstream text;
    text << std::ifstream(file, std::ios::binary).rdbuf();
    return text.str();
}

}  // namespace tickledger::test
