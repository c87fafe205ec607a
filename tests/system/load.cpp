#include "system/load.hpp"

#include <fmt/format.h>
#include <mqtt/async_client.h>

#include <algorithm>
#include <stdexcept>

#include "support/wait_until.hpp"
#include "tickledger/time.hpp"

namespace tickledger::test {

namespace {

using std::chrono::steady_clock;

constexpr std::size_t window_size = 20;
constexpr auto acknowledge_wait = std::chrono::seconds{5};
// A board loses its network once in this many readings, for five to forty pauses.
constexpr std::uint64_t readings_between_absences = 25;
constexpr std::uint64_t pauses_away_min = 5;
constexpr std::uint64_t pauses_away_max = 40;

}  // namespace

std::string load_meters(const std::string& prefix, const char* q3) {
    return fmt::format(R"(
[[meter]]
id = "{0}counter-{{1}}"
topic = "load/{0}counters/+"
message = "counter"
counter_bits = 16
q3 = "{1}"
interval = "10s"
[meter.alarms]
off = ["high-flow", "long-draw"]
[[meter]]
id = "{0}pulses-{{1}}"
topic = "load/{0}pulses/+"
message = "pulses"
q3 = "{1}"
interval = "10s"
[meter.alarms]
off = ["high-flow", "long-draw"]
)",
                       prefix, q3);
}

Load::Load(std::string broker_url, std::vector<LoadNode> nodes, int messages_a_second, std::uint64_t seed)
    : broker_url_(std::move(broker_url)),
      nodes_(std::move(nodes)),
      messages_a_second_(messages_a_second),
      chance_(seed) {
    for (std::size_t at = 0; at < nodes_.size(); ++at) {
        if (nodes_[at].pause.count() == 0)
            fast_.push_back(at);
        else
            kept_.push_back({.node = at});
    }
    thread_ = std::thread([this] { run(); });
}

Load::~Load() {
    stop_ = true;
    if (thread_.joinable()) thread_.join();
}

std::vector<LoadNode> Load::finish() {
    stop_ = true;
    thread_.join();
    if (gave_up_) throw std::runtime_error("the broker did not acknowledge the load's last messages");
    return nodes_;
}

void Load::run() {
    mqtt::async_client client(broker_url_, "load");
    const auto options =
        mqtt::connect_options_builder().max_inflight(window_size * 2).clean_session(true).finalize();
    // The whole window is sent again until all of it is acknowledged over one connection.
    const auto deliver = [&](const std::vector<Outgoing>& window) {
        try {
            if (!client.is_connected() && !client.connect(options)->wait_for(acknowledge_wait)) return false;
            std::vector<mqtt::delivery_token_ptr> tokens;
            for (const Outgoing& outgoing : window)
                tokens.push_back(client.publish(outgoing.topic, outgoing.payload, 1, false));
            for (const auto& token : tokens) {
                if (!token->wait_for(acknowledge_wait)) return false;
            }
            return true;
        } catch (const mqtt::exception&) {
            return false;
        }
    };

    const auto began_at = steady_clock::now();
    bool is_last = false;
    while (!is_last) {
        // Readings that a board still keeps at the end are sent like the rest.
        if (stop_)
            for (Kept& kept : kept_)
                kept.away_until = {};
        const auto window = next_window();
        is_last = stop_ && std::all_of(kept_.begin(), kept_.end(),
                                       [](const Kept& kept) { return kept.queue.empty(); });
        // If the broker is restarting, the load tries again until it is back.
        if (!wait_until([&] { return deliver(window); })) {
            gave_up_ = true;
            return;
        }
        delivered_ += window.size();
        // This sleep sets the pace. It does not wait for an event.
        std::this_thread::sleep_until(
            began_at +
            std::chrono::microseconds{1'000'000LL * static_cast<std::int64_t>(turn_) / messages_a_second_});
    }
    if (client.is_connected()) client.disconnect()->wait_for(acknowledge_wait);
}

std::vector<Load::Outgoing> Load::next_window() {
    std::vector<Outgoing> window;
    for (Kept& kept : kept_)
        take_kept(kept, window_size - window.size(), window);
    while (window.size() < window_size)
        window.push_back(next(nodes_[fast_[turn_++ % fast_.size()]]));
    return window;
}

void Load::take_kept(Kept& kept, std::size_t room, std::vector<Outgoing>& window) {
    const auto now = steady_clock::now();
    LoadNode& node = nodes_[kept.node];
    if (!stop_ && now >= kept.next_reading) {
        kept.next_reading = now + node.pause;
        kept.queue.push_back(next(node));
        if (now >= kept.away_until && chance_() % readings_between_absences == 0) {
            const auto pauses = pauses_away_min + chance_() % (pauses_away_max - pauses_away_min + 1);
            kept.away_until = now + pauses * node.pause;
        }
    }
    if (now < kept.away_until) return;
    const bool is_backlog = kept.queue.size() > 1;
    for (; room > 0 && !kept.queue.empty(); --room) {
        window.push_back(std::move(kept.queue.front()));
        kept.queue.pop_front();
    }
    if (is_backlog && kept.queue.empty()) ++backlogs_;
}

Load::Outgoing Load::next(LoadNode& node) {
    if (chance_() % node.messages_a_boot == 0) {
        ++node.boot;
        node.seq = 0;
        node.saved = node.count;
    }
    const std::uint64_t ticks = chance_() % 3;
    // The first count only says where the register starts. It books nothing.
    if (!node.is_counter || node.has_spoken) node.told_ticks += static_cast<std::int64_t>(ticks);
    node.has_spoken = true;
    node.count = (node.count + ticks) % load_counter_modulus;
    ++node.seq;
    std::string payload = node.is_counter ? fmt::format("{{\"count\":{},\"saved\":{}", node.count, node.saved)
                                          : fmt::format("{{\"pulses\":{}", ticks);
    payload += fmt::format(",\"boot\":{},\"seq\":{}", node.boot, node.seq);
    if (node.tells_time) {
        const auto now = std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
        payload += fmt::format(",\"time\":\"{}\"", format_utc(now));
    }
    return {node.topic, payload + "}"};
}

}  // namespace tickledger::test
