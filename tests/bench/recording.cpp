// Writes a recording of counter messages to standard output, as a broker would have received them.
//
//   bench_recording METERS CADENCE_S SECONDS END_UNIX_S
//
// The households use water in a third of the cadences by day and in none by night. The last message is at
// END_UNIX_S. The same arguments give the same lines.
#include <fmt/chrono.h>
#include <fmt/format.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <vector>

namespace {

using std::chrono::microseconds;
using std::chrono::seconds;
using std::chrono::sys_time;

std::int64_t argument(char** argv, int place) {
    return std::strtoll(argv[place], nullptr, 10);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 5) {
        std::fputs("usage: bench_recording METERS CADENCE_S SECONDS END_UNIX_S\n", stderr);
        return 64;
    }
    const auto meters = static_cast<std::size_t>(argument(argv, 1));
    const seconds cadence{argument(argv, 2)};
    const std::int64_t rounds = argument(argv, 3) / cadence.count();
    const sys_time<microseconds> begin{seconds{argument(argv, 4)} - rounds * cadence};

    std::mt19937 chance(1);
    std::vector<std::uint64_t> counts(meters, 1000);
    fmt::memory_buffer out;
    for (std::int64_t round = 1; round <= rounds; ++round) {
        for (std::size_t meter = 0; meter < meters; ++meter) {
            const auto at = begin + round * cadence - microseconds{cadence} * (meters - 1 - meter) / meters;
            const auto second = std::chrono::floor<seconds>(at);
            const bool is_night = second.time_since_epoch().count() % 86'400 < 6 * 3600;
            const auto drawn = chance();
            if (!is_night && drawn % 3 == 0) counts[meter] += drawn / 3 % 17;
            fmt::format_to(
                std::back_inserter(out),
                "{{\"tst\":\"{:%FT%T}.{:06}Z\",\"topic\":\"nodes/{}/water\",\"qos\":1,\"retain\":0,"
                "\"payload\":\"{{\\\"count\\\":{},\\\"boot\\\":7,\\\"seq\\\":{}}}\"}}\n",
                fmt::gmtime(second), (at - second).count(), meter, counts[meter], round);
        }
        std::fwrite(out.data(), 1, out.size(), stdout);
        out.clear();
    }
    return 0;
}
