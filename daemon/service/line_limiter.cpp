#include "service/line_limiter.hpp"

#include <fmt/format.h>

#include <utility>

namespace tickledger {

namespace {

// For how many lines the time of the last writing is remembered.
constexpr std::size_t remembered_max = 2 * LineLimiter::lines_max;

}  // namespace

void LineLimiter::begin_window(Time now) {
    window_began_ = now;
    written_ = 0;
    // Lines with a count of omissions stay: the count is written when the line comes again.
    std::erase_if(said_, [&](const auto& entry) {
        return entry.second.left_out == 0 && now - entry.second.at >= window;
    });
    if (said_.size() > remembered_max) said_.clear();
}

std::vector<std::string> LineLimiter::pass(std::string_view line, Time now) {
    if (now - window_began_ >= window) begin_window(now);
    auto [found, is_new] = said_.try_emplace(std::string(line), Said{now, 0});
    Said& said = found->second;
    if (!is_new && now - said.at < window) {
        ++said.left_out;
        return {};
    }
    if (written_ >= lines_max) {
        ++left_out_;
        if (is_new) said_.erase(found);
        return {};
    }
    ++written_;
    std::vector<std::string> lines;
    if (const auto left_out = std::exchange(left_out_, 0); left_out > 0) {
        lines.push_back(fmt::format("{} lines were left out here, because there were too many.", left_out));
    }
    const auto repeated = std::exchange(said.left_out, 0);
    said.at = now;
    lines.push_back(repeated == 0 ? std::string(line)
                                  : fmt::format("{} (Said {} more since it was last written.)", line,
                                                repeated == 1 ? "once" : fmt::format("{} times", repeated)));
    return lines;
}

}  // namespace tickledger
