#include "told_run.hpp"

#include <algorithm>
#include <array>
#include <optional>
#include <string>
#include <utility>

#include "book/instruction_documents.hpp"

namespace tickledger::test {

using simulation::Chance;
using std::chrono::hours;
using std::chrono::minutes;
using std::chrono::seconds;

namespace {

const Instant start = Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 28}} + hours{20};

/// A node that mostly behaves: it counts, restarts, is set by hand, loses, delays and repeats messages, and
/// now and then sends something wild.
class Teller {
public:
    Teller(Draws draws, MessageForm form) : chance_(draws.settings), steps_(std::move(draws.steps)) {
        MeterSettings& meter = run_.meter;
        meter.id = "house";
        meter.topic = "nodes/house";
        meter.message = form;
        meter.counter_bits = std::array{0, 8, 16, 32}[chance_.below(4)];
        meter.seq_bits = std::array{8, 16, 32}[chance_.below(3)];
        meter.checkpoint_ticks = std::array<std::uint64_t, 4>{0, 1, 10, 100}[chance_.below(4)];
        meter.interval = std::array<Duration, 3>{minutes{5}, minutes{15}, hours{1}}[chance_.below(3)];
        meter.alarms.silent_after = std::array<Duration, 2>{minutes{15}, hours{2}}[chance_.below(2)];
        run_.tells_time = chance_.happens(0.5);
        tells_saved_ = chance_.happens(0.4);
        tells_uptime_ = chance_.happens(0.3);
        count_ = saved_ = wrapped(chance_.below(1000) - 500);
        seq_ = chance_.below(20);
    }

    ToldRun tell() {
        arrive(first());
        for (auto& numbers : steps_) {
            chance_ = Tape(std::move(numbers));
            step();
        }
        for (Delivery& late : kept_back_)
            arrive(std::move(late));
        return std::move(run_);
    }

private:
    [[nodiscard]] std::uint64_t wrapped(std::uint64_t count) const {
        const int bits = run_.meter.counter_bits;
        return bits == 0 ? count & 0xFFFF'FFFFU : count & ((std::uint64_t{1} << bits) - 1);
    }

    Delivery first() {
        Message message;
        message.topic = run_.meter.topic;
        message.payload = payload(false);
        Delivery delivery;
        delivery.event = std::move(message);
        return delivery;
    }

    void step() {
        now_ += chance_.happens(0.9) ? Duration{minutes{3}} : seconds{1} + chance_.moment(hours{9});
        if (chance_.happens(0.06)) {
            ++boot_;
            seq_ = chance_.below(3);
            started_at_ = now_;
            const std::uint64_t step = run_.meter.checkpoint_ticks;
            count_ = saved_ = step == 0 ? 0 : count_ - count_ % step;
        }
        if (chance_.happens(0.03)) count_ = wrapped(chance_.below(1U << 30));
        gained_ = chance_.happens(0.5) ? 0 : chance_.below(chance_.happens(0.1) ? 600 : 20);
        count_ = wrapped(count_ + gained_);
        seq_ = (seq_ + 1) & ((std::uint64_t{1} << run_.meter.seq_bits) - 1);
        if (chance_.happens(0.07)) return;
        Delivery delivery;
        Message message;
        message.topic = run_.meter.topic;
        message.payload = payload(chance_.happens(0.03));
        delivery.event = message;
        if (chance_.happens(0.1)) {
            kept_back_.push_back(std::move(delivery));
            return;
        }
        arrive(std::move(delivery));
        if (chance_.happens(0.1)) repeat();
        if (!kept_back_.empty() && chance_.happens(0.2)) {
            arrive(std::move(kept_back_.back()));
            kept_back_.pop_back();
        }
    }

    std::string payload(bool is_wild) {
        std::uint64_t said = run_.meter.message == MessageForm::pulses ? gained_ : count_;
        if (is_wild) said = wrapped(chance_.below(1U << 20));
        std::string text = (run_.meter.message == MessageForm::pulses ? R"({"pulses":)" : R"({"count":)") +
                           std::to_string(said);
        text += ",\"boot\":" + std::to_string(boot_) + ",\"seq\":" + std::to_string(seq_);
        if (tells_saved_) text += ",\"saved\":" + std::to_string(saved_);
        if (tells_uptime_) {
            text += ",\"uptime\":" +
                    std::to_string(std::chrono::duration_cast<seconds>(now_ - started_at_).count());
        }
        if (run_.tells_time) {
            const Duration error = chance_.happens(0.05) ? hours{1} - chance_.moment(hours{3}) : Duration{0};
            text += ",\"time\":\"" + format_utc(now_ + error) + "\"";
        }
        return text + "}";
    }

    void arrive(Delivery delivery) {
        auto& message = std::get<Message>(delivery.event);
        arrived_ = std::max(arrived_, now_) + std::chrono::milliseconds{chance_.below(300)};
        message.arrived_at = arrived_;
        if (chance_.happens(0.1)) {
            delivery.waited = true;
            delivery.behind = static_cast<int>(chance_.below(3));
        }
        if (chance_.happens(0.03)) delivery.waited = message.retained = true;
        run_.deliveries.push_back(std::move(delivery));
    }

    void repeat() {
        Delivery again = run_.deliveries[chance_.below(run_.deliveries.size())];
        std::get<Message>(again.event).redelivered = true;
        again.waited = true;
        arrive(std::move(again));
    }

    Tape chance_;
    std::vector<std::vector<std::uint32_t>> steps_;
    ToldRun run_;
    std::vector<Delivery> kept_back_;
    Instant now_ = start;
    Instant arrived_ = start;
    Instant started_at_ = start;
    std::uint64_t boot_ = 1;
    std::uint64_t seq_ = 0;
    std::uint64_t count_ = 0;
    std::uint64_t saved_ = 0;
    std::uint64_t gained_ = 0;
    bool tells_saved_ = false;
    bool tells_uptime_ = false;
};

/// People who acknowledge alarms and take that back, shelve and unshelve them, leave and come home.
class Listeners {
public:
    /// The instruction that they give after a message, if any.
    std::optional<std::string> say(Instant now, const MeterSettings& meter, Chance& chance) {
        const Duration silent_after = meter.alarms.silent_after;
        if (heard_at_ && now - *heard_at_ >= silent_after) silent_.raised_at = *heard_at_ + silent_after;
        heard_at_ = now;
        silent_.kind = AlarmKind::node_silent;
        if (!chance.happens(0.2)) return std::nullopt;
        switch (chance.below(7)) {
            case 0:
                return instruction_to_acknowledge(meter.id, silent_);
            case 1:
            case 2:
                return instruction_to_shelve(meter.id, silent_, seconds{1 + chance.below(8 * 3600)});
            case 3:
                return instruction_to_unshelve(meter.id, silent_);
            case 4:
                return instruction_to_unacknowledge(meter.id, silent_);
            case 5:
                return instruction_to_be_home(meter.id);
            default:
                return instruction_to_be_away(meter.id, {}, now + chance.moment(hours{9}));
        }
    }

private:
    std::optional<Instant> heard_at_;
    Alarm silent_;
};

}  // namespace

ToldRun run_of(Draws draws, MessageForm form) {
    return Teller(std::move(draws), form).tell();
}

Instant end_of(const ToldRun& run) {
    return time_of(run.deliveries.back().event) + hours{12};
}

ToldRun with_people(ToldRun run, Chance& chance) {
    std::vector<Delivery> deliveries;
    std::vector<Instant> read_at;
    Listeners listeners;
    for (Delivery& delivery : run.deliveries) {
        const Instant now = time_of(delivery.event);
        deliveries.push_back(std::move(delivery));
        const std::string& meter = run.meter.id;
        if (chance.happens(0.1)) {
            const Instant at = now - chance.moment(hours{chance.happens(0.5) ? 1 : 12});
            const auto minutes_run = static_cast<std::int64_t>((at - start) / minutes{1});
            const std::int64_t litres =
                std::max<std::int64_t>(minutes_run + static_cast<std::int64_t>(chance.below(200)), 0);
            const bool starts = read_at.empty() && chance.happens(0.3);
            read_at.push_back(at);
            deliveries.push_back(
                {Instruction{now, instruction_to_read(meter, {at, litres * 1'000'000, 1'000'000, starts})}});
        }
        if (!read_at.empty() && chance.happens(0.04)) {
            deliveries.push_back(
                {Instruction{now, instruction_to_take_back(meter, read_at[chance.below(read_at.size())])}});
        }
        if (chance.happens(0.01)) {
            const Instant midnight = CivilZone::find("Europe/Lisbon").value().row_at(Step::day, {}, now).from;
            const Ratio value{static_cast<std::int64_t>(990 + chance.below(20)), 1000};
            deliveries.push_back({Instruction{now, instruction_to_set(meter, midnight, value)}});
        }
        if (auto order = listeners.say(now, run.meter, chance))
            deliveries.push_back({Instruction{now, *std::move(order)}});
        // Now and then an instruction is repeated, as by a client that got no answer.
        if (chance.happens(0.02)) {
            const Delivery& again = deliveries.back();
            if (std::holds_alternative<Instruction>(again.event)) deliveries.push_back(Delivery(again));
        }
    }
    run.deliveries = std::move(deliveries);
    return run;
}

}  // namespace tickledger::test
