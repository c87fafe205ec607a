// Compares the booked ticks of any node with the ticks that it really counted: never more, never fewer than
// it reported, and unseen ticks within their bound. The nodes have counters of 16 to 32 bits that are about
// to wrap. They send with and without each field, lose power, fall silent, queue messages and repeat them.
// Each recording is read three times.
#include <rapidcheck/catch.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <numeric>

#include "drawn.hpp"
#include "law_desk.hpp"

using namespace tickledger;
using namespace tickledger::test;
using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant start = Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 28}} + hours{20};
constexpr auto cadence = minutes{3};

/// A node whose actions, and the time between them, come from the draws.
class CountingNode {
public:
    explicit CountingNode(Draws draws) : tape_(draws.settings) {
        meter.id = "house";
        meter.topic = "nodes/house";
        meter.counter_bits = static_cast<int>(16 + tape_.below(17));
        meter.checkpoint_ticks = std::array<std::uint64_t, 5>{0, 1, 10, 100, 1000}[tape_.below(5)];
        tells_boot = tape_.below(4) < 3;
        tells_seq = tape_.below(3) < 2;
        tells_time = tape_.below(2) == 1;
        tells_uptime_ = tape_.below(2) == 1;
        tells_saved_ = tape_.below(3) == 2;
        value_ = (std::uint64_t{1} << static_cast<unsigned>(meter.counter_bits)) - 1 - tape_.below(3000);
        restored_ = saved_ = value_ - value_ % std::max<std::uint64_t>(meter.checkpoint_ticks, 1);
        speak();
        booked_from_ = counted_;
        ran_from_ = ran_;
        for (auto& numbers : draws.steps) {
            tape_ = Tape(std::move(numbers));
            step();
        }
        come_online();
        for (int n = 0; n < 3; ++n) {
            pass(cadence);
            speak();
        }
    }

    [[nodiscard]] std::uint64_t counted() const { return counted_ - booked_from_; }
    [[nodiscard]] std::uint64_t ran() const { return ran_ - ran_from_; }

    MeterSettings meter;
    bool tells_boot = false;
    bool tells_seq = false;
    bool tells_time = false;
    std::vector<Delivery> deliveries;
    /// The fewest ticks that the delivered messages report, by the rules of docs/nodes.md for people who
    /// build a node.
    std::uint64_t told = 0;

private:
    struct Said {
        std::string text;
        std::uint64_t count = 0;
        std::uint64_t value = 0;
        std::uint64_t boot = 0;
        std::uint64_t restored = 0;
    };

    void step() {
        const bool is_long = tape_.happens(0.08);
        pass(is_long ? Duration{cadence + tape_.moment(hours{6})} : Duration{cadence});
        switch (tape_.below(12)) {
            case 9:
                if (may_cut()) cut();
                break;
            case 10:
                is_online_ = false;
                break;
            case 11:
                come_online();
                break;
            default:
                break;
        }
        const bool is_lost = is_online_ && !just_started_ && tape_.happens(0.08);
        if (is_lost) {
            ++seq_;
            return;
        }
        speak();
        just_started_ = false;
        if (tape_.happens(0.1)) repeat();
    }

    /// A node that sends neither boot nor uptime cannot report a restart. With uptime alone, only an uptime
    /// that falls reports one.
    [[nodiscard]] bool may_cut() const {
        if (tells_boot) return true;
        return tells_uptime_ && is_online_ && now_ - started_at_ > hours{7};
    }

    void pass(Duration time) {
        now_ += time;
        run(tape_.below(2) == 0 ? 0 : tape_.below(static_cast<std::uint64_t>(120 * (time / cadence))), true);
    }

    void run(std::uint64_t ticks, bool is_seen) {
        ran_ += ticks;
        if (!is_seen) return;
        counted_ += ticks;
        const std::uint64_t step = meter.checkpoint_ticks;
        for (; ticks > 0; --ticks) {
            ++value_;
            if (step > 0 && wrapped(value_) % step == 0) saved_ = value_;
        }
    }

    void cut() {
        const Duration off = tape_.moment(minutes{9});
        now_ += off;
        run(tape_.below(1 + static_cast<std::uint64_t>(off / seconds{2})), false);
        value_ = restored_ = saved_ = meter.checkpoint_ticks == 0 ? 0 : saved_;
        ++boot_;
        seq_ = tape_.below(2) == 0 ? 0 : seq_;
        started_at_ = now_;
        just_started_ = true;
        now_ += seconds{30};
        run(tape_.below(20), true);
    }

    void speak() {
        Said said{payload(), wrapped(value_), value_, boot_, restored_};
        ++seq_;
        queue_.push_back(std::move(said));
        if (is_online_) come_online();
    }

    void come_online() {
        is_online_ = true;
        arrived_ = std::max(arrived_, now_);
        for (Said& said : queue_) {
            arrived_ += milliseconds{50};
            Message message;
            message.topic = meter.topic;
            message.payload = said.text;
            message.arrived_at = arrived_;
            Delivery delivery;
            delivery.event = std::move(message);
            deliveries.push_back(std::move(delivery));
            tell(said);
        }
        queue_.clear();
    }

    void repeat() {
        if (!is_online_) return;
        const bool knows_any = (tells_boot && tells_seq) || (tells_boot && tells_time);
        Delivery again = knows_any ? deliveries[tape_.below(deliveries.size())] : deliveries.back();
        auto& message = std::get<Message>(again.event);
        arrived_ += milliseconds{20};
        message.arrived_at = arrived_;
        message.redelivered = again.waited = true;
        deliveries.push_back(std::move(again));
    }

    /// Adds the ticks by the table "The best message" of docs/nodes.md: the count since the node started, or
    /// since the count that it restored.
    void tell(const Said& said) {
        if (last_) {
            const Said& last = *last_;
            std::uint64_t more = 0;
            if (said.boot == last.boot) {
                more = said.value - last.value;
            } else if (meter.checkpoint_ticks == 0) {
                const bool seems_kept = !tells_saved_ && said.count >= last.count;
                more = seems_kept ? said.count - last.count : said.count;
            } else if (tells_saved_) {
                more = said.value - std::min(said.restored, last.value);
                if (said.restored > last.value) more = said.value - last.value;
            } else {
                const std::uint64_t block = said.value - said.count % meter.checkpoint_ticks;
                more = block <= last.value ? said.value - block : said.value - last.value;
            }
            told += more;
        }
        last_ = said;
    }

    [[nodiscard]] std::uint64_t wrapped(std::uint64_t value) const {
        return value & ((std::uint64_t{1} << static_cast<unsigned>(meter.counter_bits)) - 1);
    }

    [[nodiscard]] std::string payload() const {
        std::string text = "{\"count\":" + std::to_string(wrapped(value_));
        if (tells_boot) text += ",\"boot\":" + std::to_string(boot_);
        if (tells_seq) text += ",\"seq\":" + std::to_string(seq_);
        if (tells_saved_) text += ",\"saved\":" + std::to_string(wrapped(restored_));
        if (tells_uptime_) {
            const auto uptime = std::chrono::duration_cast<seconds>(now_ - started_at_).count();
            text += ",\"uptime\":" + std::to_string(uptime);
        }
        if (tells_time) text += ",\"time\":\"" + format_utc(now_) + "\"";
        return text + "}";
    }

    Tape tape_;
    bool tells_uptime_ = false;
    bool tells_saved_ = false;
    bool is_online_ = true;
    bool just_started_ = false;
    Instant now_ = start;
    Instant arrived_ = start;
    Instant started_at_ = start - hours{24};
    std::uint64_t boot_ = 1;
    std::uint64_t seq_ = 10;
    /// The node's count as if it never wrapped.
    std::uint64_t value_ = 0;
    std::uint64_t saved_ = 0;
    std::uint64_t restored_ = 0;
    std::uint64_t counted_ = 0;
    std::uint64_t ran_ = 0;
    std::uint64_t booked_from_ = 0;
    std::uint64_t ran_from_ = 0;
    std::vector<Said> queue_;
    std::optional<Said> last_;
};

std::string story_of(const CountingNode& node, const std::vector<Entry>& entries) {
    std::string text = std::to_string(node.meter.counter_bits) + " bits, S " +
                       std::to_string(node.meter.checkpoint_ticks) + "\n";
    for (const Delivery& delivery : node.deliveries) {
        const auto& message = std::get<Message>(delivery.event);
        text +=
            format_utc(message.arrived_at) + " " + message.payload + (delivery.waited ? " again\n" : "\n");
    }
    for (const Entry& entry : entries) {
        text += std::string(name_of(entry.kind)) + " " + format_utc(entry.span.from) + " to " +
                format_utc(entry.span.to) + " " + std::to_string(entry.ticks) + ", unseen " +
                (entry.unseen_max ? std::to_string(*entry.unseen_max) : "-") + "\n";
    }
    return text;
}

}  // namespace

TEST_CASE(
    "never more ticks than the node counted, never fewer than it reported, and the unseen within its bound") {
    rc::prop("for any node", [] {
        const Draws draws = draw(60);
        const CountingNode node(draws);
        SimVfs vfs(draws.seed);
        Desk desk(vfs, "/ledger.db", node.meter);
        const Instant end = time_of(node.deliveries.back().event) + hours{12};
        desk.book(node.deliveries, end);
        const auto first = desk.books().meters().at(0);
        const auto ticks_of = [](const std::vector<Entry>& entries) {
            return std::accumulate(entries.begin(), entries.end(), std::int64_t{0},
                                   [](std::int64_t sum, const Entry& entry) { return sum + entry.ticks; });
        };
        const std::int64_t booked = ticks_of(first.entries);
        RC_LOG() << story_of(node, first.entries) << "booked " << booked << " of " << node.counted()
                 << ", reported " << node.told << ", ran " << node.ran() << "\n";
        RC_ASSERT(booked <= static_cast<std::int64_t>(node.counted()));
        RC_ASSERT(booked >= static_cast<std::int64_t>(node.told));
        if (node.tells_boot) {
            std::uint64_t unseen = 0;
            for (const Entry& entry : first.entries)
                unseen += entry.unseen_max.value_or(0);
            RC_ASSERT(node.ran() <= static_cast<std::uint64_t>(booked) + unseen);
        }

        for (int again = 0; again < 2; ++again) {
            desk.book(node.deliveries);
            const auto read_again = desk.books().meters().at(0);
            RC_ASSERT(ticks_of(read_again.entries) == booked);
            const bool names_all = (node.tells_boot && node.tells_seq) || node.tells_time;
            if (!names_all) continue;
            RC_ASSERT(read_again.entries == first.entries);
            RC_ASSERT(read_again.refused.size() == first.refused.size());
        }
    });
}
