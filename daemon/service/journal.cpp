#include "service/journal.hpp"

#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cstdlib>
#include <mutex>
#include <string>

#include "core/harmless.hpp"
#include "service/line_limiter.hpp"

namespace tickledger {

namespace {

std::string_view prefix_of(Level level) {
    switch (level) {
        case Level::error:
            return SD_ERR;
        case Level::warning:
            return SD_WARNING;
        case Level::notice:
            return SD_NOTICE;
        case Level::info:
            return SD_INFO;
    }
    return SD_INFO;
}

/// Each line is one write, so that lines of other threads and programs do not mix with it. A failed write
/// cannot be reported anywhere. The text may contain input from strangers, so control characters are
/// replaced.
void write_line(Level level, std::string_view text) {
    static const bool under_systemd = std::getenv("JOURNAL_STREAM") != nullptr;
    std::string line;
    if (under_systemd) line += prefix_of(level);
    line += harmless_text(text);
    line += '\n';
    [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

}  // namespace

void journal(Level level, std::string_view text) {
    static std::mutex mutex;
    static LineLimiter limiter;
    const std::lock_guard lock(mutex);
    for (const std::string& line : limiter.pass(text, std::chrono::steady_clock::now()))
        write_line(level, line);
}

void journal_answer(Level level, std::string_view text) {
    write_line(level, text);
}

}  // namespace tickledger
