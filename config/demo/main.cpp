// tickledger-demo-nodes: the nodes and the true totals for ./config/demo/run. Everything follows from NOW, so
// all calls with the same NOW simulate the same house.
#include <algorithm>
#include <cstdio>
#include <exception>
#include <iostream>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "comparison.hpp"
#include "house.hpp"
#include "live.hpp"
#include "recording.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::demo;

constexpr std::string_view usage =
    "tickledger-demo-nodes NOW history            writes two weeks up to some minutes before NOW (Unix\n"
    "                                             seconds) as a recording\n"
    "tickledger-demo-nodes NOW live URL           sends the broker the minutes up to NOW, in time lapse\n"
    "tickledger-demo-nodes NOW stay URL           continues from NOW in real time, for days\n"
    "tickledger-demo-nodes NOW compare DIRECTORY  compares saved answers with the truth; 1: they differ\n"
    "tickledger-demo-nodes NOW dates              prints the first date and the one after the last\n";

int run_command(const std::vector<std::string>& words) {
    const Timeline timeline = timeline_at(Instant{std::chrono::seconds{std::stoll(words.at(0))}});
    const std::string& command = words.at(1);
    std::vector<Meter> meters = house(timeline);
    const auto history = live_through_history(meters, timeline);
    if (command == "history") {
        write_recording(history, std::cout);
    } else if (command == "live") {
        publish(meters, timeline.live, words.at(2), Pace::time_lapse);
    } else if (command == "stay") {
        (void)live_through(meters, timeline.live);
        publish(meters, {timeline.live.to, timeline.midnights.back()}, words.at(2), Pace::clock);
    } else if (command == "compare") {
        (void)live_through(meters, timeline.live);
        return compare(meters, timeline, words.at(2)) ? 0 : 1;
    } else if (command == "dates") {
        const auto after =
            std::lower_bound(timeline.midnights.begin(), timeline.midnights.end(), timeline.live.to);
        std::cout << date_text(timeline.midnights.front()) << ' ' << date_text(*after) << '\n';
    } else {
        throw std::invalid_argument("unknown command " + command);
    }
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    try {
        return run_command({argv + 1, argv + argc});
    } catch (const std::logic_error& error) {
        std::fprintf(stderr, "%s\n%.*s", error.what(), static_cast<int>(usage.size()), usage.data());
        return 2;
    } catch (const std::exception& error) {
        std::fprintf(stderr, "tickledger-demo-nodes: %s\n", error.what());
        return 3;
    }
}
