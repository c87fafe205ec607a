#include "service/journal.hpp"

#include <systemd/sd-daemon.h>
#include <unistd.h>

#include <cstdlib>
#include <string>

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
    std::string line;
    if (under_systemd) line += prefix_of(level);
    line += text;
    line += '\n';
    // One write a line, so that lines of several threads do not mix. There is nobody to tell if it fails.
    [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

}  // namespace tickledger
