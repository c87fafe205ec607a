// A subscriber that does nothing, to measure the MQTT client library alone. It connects as the daemon does.
//
//   bench_listener URL QOS MESSAGES
//
// Prints "ready" once it has subscribed. After MESSAGES messages it prints the monotonic seconds of the last
// one and the seconds of processor time that they took.
#include <fmt/format.h>
#include <mqtt/async_client.h>
#include <sys/resource.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <future>

namespace {

double now_s() {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

double processor_s() {
    rusage used{};
    getrusage(RUSAGE_SELF, &used);
    const auto seconds = [](const timeval& t) {
        return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
    };
    return seconds(used.ru_utime) + seconds(used.ru_stime);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 4) {
        std::fputs("usage: bench_listener URL QOS MESSAGES\n", stderr);
        return 64;
    }
    const long messages = std::atol(argv[3]);
    long heard = 0;
    std::promise<double> last;
    try {
        mqtt::async_client client(argv[1], "listener", static_cast<mqtt::iclient_persistence*>(nullptr));
        client.set_message_callback([&](const mqtt::const_message_ptr&) {
            if (++heard == messages) last.set_value(now_s());
        });
        mqtt::connect_options options;
        options.set_clean_session(false);
        client.connect(options)->wait();
        client.subscribe("nodes/+/water", std::atoi(argv[2]))->wait();
        const double processor_before = processor_s();
        fmt::print("ready\n");
        std::fflush(stdout);
        const double at = last.get_future().get();
        fmt::print("{:.6f} {:.6f}\n", at, processor_s() - processor_before);
        std::fflush(stdout);
        client.disconnect()->wait();
    } catch (const mqtt::exception& error) {
        fmt::print(stderr, "{}\n", error.what());
        return 1;
    }
    return 0;
}
