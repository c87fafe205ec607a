// Many counters that send at once.
//
//   bench_flood URL QOS TOPICS MESSAGES [MESSAGES_PER_S [FIRST [ROOT]]]
//
// Sends to the topics in turn, from "ROOT/0/water" on (ROOT: nodes). Without a pace, or with 0, it sends as
// fast as the broker takes the messages. FIRST: how many messages each node has sent before. Prints the
// monotonic seconds when it began and when the broker had the last message.
#include <fmt/format.h>
#include <mqtt/async_client.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <deque>
#include <thread>

namespace {

using std::chrono::steady_clock;

// Messages under way at once: enough to keep the broker busy, few enough for every client's memory.
constexpr std::size_t window = 1000;

double now_s() {
    return std::chrono::duration<double>(steady_clock::now().time_since_epoch()).count();
}

}  // namespace

int main(int argc, char** argv) {
    if (argc < 5) {
        std::fputs("usage: bench_flood URL QOS TOPICS MESSAGES [MESSAGES_PER_S [FIRST [ROOT]]]\n", stderr);
        return 64;
    }
    const int qos = std::atoi(argv[2]);
    const long topics = std::atol(argv[3]);
    const long messages = std::atol(argv[4]);
    const double pace = argc > 5 ? std::atof(argv[5]) : 0;
    const long first = argc > 6 ? std::atol(argv[6]) : 0;
    const char* const root = argc > 7 ? argv[7] : "nodes";
    try {
        mqtt::async_client client(argv[1], "flood", 2 * window,
                                  static_cast<mqtt::iclient_persistence*>(nullptr));
        client
            .connect(mqtt::connect_options_builder().max_inflight(2 * window).clean_session(true).finalize())
            ->wait();
        std::deque<mqtt::delivery_token_ptr> under_way;
        const double began = now_s();
        for (long i = 0; i < messages; ++i) {
            if (pace > 0) {
                const double due = began + static_cast<double>(i) / pace;
                if (const double early = due - now_s(); early > 0.001)
                    std::this_thread::sleep_for(std::chrono::duration<double>(early));
            }
            if (under_way.size() >= window) {
                under_way.front()->wait();
                under_way.pop_front();
            }
            const long round = first + i / topics;
            under_way.push_back(client.publish(
                fmt::format("{}/{}/water", root, i % topics),
                fmt::format(R"({{"count":{},"boot":7,"seq":{}}})", round * 2, round), qos, false));
        }
        for (const auto& token : under_way)
            token->wait();
        fmt::print("{:.6f} {:.6f}\n", began, now_s());
        client.disconnect()->wait();
    } catch (const mqtt::exception& error) {
        fmt::print(stderr, "{}\n", error.what());
        return 1;
    }
    return 0;
}
