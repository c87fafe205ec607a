// Runs simulated worlds from the command line and prints each seed that fails.

#include <sys/resource.h>

#include <charconv>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <random>
#include <string>
#include <string_view>

#include "simulation/world.hpp"

namespace {

using namespace tickledger;
using namespace tickledger::simulation;

struct Order {
    std::uint64_t seed = 0;
    std::uint64_t worlds = 0;    ///< 0: as many as the messages or the seconds allow.
    std::uint64_t messages = 0;  ///< In all worlds together; 0: no limit.
    std::uint64_t seconds = 0;   ///< No world begins later than this; 0: no limit.
    std::size_t world_messages = 20'000;
    bool verbose = false;
    bool keeps_going = false;
};

constexpr const char* usage =
    "tickledger-simulate [--seed N] [--worlds M] [--messages K] [--seconds S] [--world-messages L] "
    "[--verbose] [--keep-going]\n"
    "Simulates worlds of about L messages each (20000), from seed N on (random), until M worlds or K "
    "messages are\n"
    "through (100 worlds), or S seconds are over. Exit 0: every ledger was right. Exit 1: one was not; its "
    "seed is\n"
    "printed and plays it again with --seed N --worlds 1 and the same --world-messages. Exit 2: wrong "
    "call.\n";

bool read_number(std::string_view text, std::uint64_t& number) {
    const auto read = std::from_chars(text.data(), text.data() + text.size(), number);
    return read.ec == std::errc() && read.ptr == text.data() + text.size();
}

bool read_order(int count, char** arguments, Order& order) {
    order.seed = (std::uint64_t{std::random_device{}()} << 16U) & 0xFFFF'FFFF'0000U;
    for (int i = 1; i < count; ++i) {
        const std::string_view name = arguments[i];
        if (name == "--verbose") {
            order.verbose = true;
            continue;
        }
        if (name == "--keep-going") {
            order.keeps_going = true;
            continue;
        }
        std::uint64_t number = 0;
        if (i + 1 >= count || !read_number(arguments[++i], number)) return false;
        if (name == "--seed") {
            order.seed = number;
        } else if (name == "--worlds") {
            order.worlds = number;
        } else if (name == "--messages") {
            order.messages = number;
        } else if (name == "--seconds") {
            order.seconds = number;
        } else if (name == "--world-messages" && number > 0) {
            order.world_messages = static_cast<std::size_t>(number);
        } else {
            return false;
        }
    }
    if (order.worlds == 0 && order.messages == 0 && order.seconds == 0) order.worlds = 100;
    return true;
}

double cpu_s() {
    rusage used{};
    getrusage(RUSAGE_SELF, &used);
    return static_cast<double>(used.ru_utime.tv_sec + used.ru_stime.tv_sec) +
           static_cast<double>(used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

void add(Excused& sum, const Excused& some) {
    sum.meters += some.meters;
    sum.ticks_over += some.ticks_over;
    sum.ticks_under += some.ticks_under;
}

void print_world(const WorldReport& report) {
    std::printf("seed %llu: %zu messages sent, %zu logged, %zu lines lost, %d starts, %d words, %s",
                static_cast<unsigned long long>(report.seed), report.sent, report.logged, report.lost_lines,
                report.starts, report.words, report.was_rebuilt ? "rebuilt the same" : "not rebuilt");
    for (int kind = 0; kind < trouble_count; ++kind) {
        const int times = report.troubles[static_cast<std::size_t>(kind)];
        if (times > 0) std::printf(", %s %d", name_of(static_cast<Trouble>(kind)), times);
    }
    std::printf("\n");
}

}  // namespace

int main(int count, char** arguments) {
    Order order;
    if (!read_order(count, arguments, order)) {
        std::fputs(usage, stderr);
        return 2;
    }
    std::printf("first seed %llu, worlds of about %zu messages\n",
                static_cast<unsigned long long>(order.seed), order.world_messages);
    std::uint64_t messages = 0;
    std::uint64_t worlds = 0;
    std::uint64_t failures = 0;
    std::uint64_t troubles = 0;
    std::map<std::string, Excused> excused;
    std::int64_t meters = 0;
    std::map<std::string, int> loose_bounds;
    std::uint64_t worlds_excused = 0;
    const auto begin = std::chrono::steady_clock::now();
    const auto is_done = [&] {
        const auto passed = std::chrono::steady_clock::now() - begin;
        return (order.seconds > 0 && passed >= std::chrono::seconds{order.seconds}) ||
               (order.worlds > 0 && worlds >= order.worlds) ||
               (order.messages > 0 && messages >= order.messages);
    };
    for (; !is_done(); ++worlds) {
        const WorldReport report = run_world(order.seed + worlds, order.world_messages);
        messages += report.logged;
        for (const int times : report.troubles)
            troubles += static_cast<std::uint64_t>(times);
        for (const auto& [why, some] : report.excused)
            add(excused[why], some);
        if (!report.excused.empty()) ++worlds_excused;
        meters += report.meters;
        for (const auto& [why, spans] : report.loose_bounds)
            loose_bounds[why] += spans;
        if (order.verbose) print_world(report);
        if (!report.failure) continue;
        ++failures;
        if (!order.verbose) print_world(report);
        std::printf("WRONG, seed %llu (--world-messages %zu):\n  %s\n",
                    static_cast<unsigned long long>(report.seed), order.world_messages,
                    report.failure->c_str());
        std::fflush(stdout);
        if (!order.keeps_going) break;
    }
    std::printf("%lld meters; in %llu worlds one or more were let pass though not right to the tick:\n",
                static_cast<long long>(meters), static_cast<unsigned long long>(worlds_excused));
    for (const auto& [why, some] : excused) {
        std::printf("  %d meters, %lld ticks too many, %lld too few: %s\n", some.meters,
                    static_cast<long long>(some.ticks_over), static_cast<long long>(some.ticks_under),
                    why.c_str());
    }
    for (const auto& [why, spans] : loose_bounds)
        std::printf("  %d spans held more than their `unseen_max`: %s\n", spans, why.c_str());
    const double wall_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
    std::printf(
        "%llu worlds, %llu messages, %llu troubles, %.1f s, %.1f s of CPU, %.0f messages/s of CPU; %llu "
        "wrong\n",
        static_cast<unsigned long long>(worlds), static_cast<unsigned long long>(messages),
        static_cast<unsigned long long>(troubles), wall_s, cpu_s(), static_cast<double>(messages) / cpu_s(),
        static_cast<unsigned long long>(failures));
    return failures == 0 ? 0 : 1;
}
