#include "service/journal.hpp"

#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cstdlib>
#include <mutex>
#include <string>

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

}  // namespace

void journal(Level level, std::string_view text) {
    static const bool under_systemd = std::getenv("JOURNAL_STREAM") != nullptr;
    static std::mutex mutex;
    static LineLimiter limiter;
    const std::lock_guard lock(mutex);
    for (const std::string& line : limiter.pass(text, std::chrono::steady_clock::now())) {
        std::string written;
        if (under_systemd) written += prefix_of(level);
        written += line;
        written += '\n';
        // One write a line, so that lines of other programs do not mix. There is nobody to tell if it fails.
        [[maybe_unused]] const auto size = ::write(STDERR_FILENO, written.data(), written.size());
    }
}

}  // namespace tickledger
