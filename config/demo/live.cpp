#include "live.hpp"

#include <fmt/format.h>
#include <mqtt/async_client.h>

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <stdexcept>
#include <thread>

namespace tickledger::demo {

namespace {

using std::chrono::system_clock;

/// How many times faster than the clock the live minutes pass.
constexpr int time_lapse = 24;
/// Each node sends once in every step.
constexpr auto step = std::chrono::seconds{30};
constexpr auto broker_wait = std::chrono::seconds{10};

/// Prints when a node loses power and when it has power again.
class PowerReport {
public:
    explicit PowerReport(const std::vector<Meter>& meters) {
        for (const Meter& meter : meters)
            was_on_.push_back(meter.node.is_on());
    }

    void look(const std::vector<Meter>& meters) {
        for (std::size_t i = 0; i < meters.size(); ++i) {
            const bool is_on = meters[i].node.is_on();
            if (is_on == was_on_[i]) continue;
            was_on_[i] = is_on;
            if (is_on) {
                fmt::print("   node       {} has power again and continues from {}, its last saved count\n",
                           meters[i].id, meters[i].node.saved());
            } else {
                fmt::print("   node       {} loses power; the ticks since its last save are lost\n",
                           meters[i].id);
            }
            std::fflush(stdout);
        }
    }

private:
    std::vector<bool> was_on_;
};

}  // namespace

void publish(std::vector<Meter>& meters, Span span, const std::string& broker_url, Pace pace) {
    mqtt::async_client client(broker_url, "demo-nodes");
    if (!client.connect()->wait_for(broker_wait)) {
        throw std::runtime_error("the broker at " + broker_url + " does not answer");
    }
    PowerReport power(meters);
    const Instant began_at = std::chrono::time_point_cast<Duration>(system_clock::now());
    for (Instant from = span.from; from < span.to; from += step) {
        const Instant to = from + step;
        std::this_thread::sleep_until(pace == Pace::time_lapse ? began_at + (to - span.from) / time_lapse
                                                               : to);
        for (const auto& delivery : live_through(meters, {from, to})) {
            const auto token = client.publish(delivery.message.topic, delivery.message.payload, 1, false);
            if (!token->wait_for(broker_wait)) throw std::runtime_error("the broker does not acknowledge");
        }
        power.look(meters);
    }
    client.disconnect()->wait_for(broker_wait);
}

}  // namespace tickledger::demo
