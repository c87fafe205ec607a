// Compares what is booked of many wild runs of messages with stored results. After a change of the booking,
// this test shows the runs whose results changed. If the change is intended, write and commit the new
// results:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/core/tests_core 'what is booked*'
//
// The laws and the simulated worlds check that the booking is right. This test only notices changes. All
// times are on a grid that also contains the limits of booking (half a cadence, a silence, the tolerances),
// so some moments are exactly at a limit. A line contains how often a run had each outcome and each kind of
// entry, the sum of its ticks, and a fingerprint of everything that was booked.
#include <fmt/format.h>

#include <map>

#include "booking_fixture.hpp"
#include "support/dice.hpp"
#include "support/told_before.hpp"
#include "tickledger/late.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

using std::chrono::hours;
using std::chrono::seconds;

constexpr Duration grid = seconds{30};

struct Sent {
    Reading reading;
    bool waited = false;
};

/// A node that often has every kind of trouble.
class WildNode {
public:
    WildNode(Dice& dice, const MeterSettings& meter) : dice_(dice), meter_(meter), rules_(meter) {
        for (bool& told : tells_)
            told = dice_.below(3) != 0;
        count_ = wrapped(dice_.below(400));
        seq_ = dice_.below(16);
    }

    Sent step() {
        const Duration passed = time_to_next();
        now_ += passed;
        seq_ += 1 + (dice_.one_in(9) ? dice_.below(5) : 0);
        if (dice_.one_in(14)) start_anew();
        gain(passed);
        Reading reading;
        reading.count = meter_.message == MessageForm::pulses ? gained_ : count_;
        if (dice_.one_in(25)) reading.count = wrapped(dice_.below(5'000));
        if (tells_[0]) reading.boot = boot_;
        if (tells_[1]) reading.seq = seq_ & ((std::uint64_t{1} << meter_.seq_bits) - 1);
        if (tells_[2]) reading.time = now_ + clock_error_;
        if (tells_[3]) reading.uptime = now_ - started_at_;
        if (tells_[4] && meter_.checkpoint_ticks > 0) reading.saved = saved_;
        return {reading, false};
    }
    [[nodiscard]] Instant now() const { return now_; }
    [[nodiscard]] std::uint64_t boot() const { return boot_; }

private:
    [[nodiscard]] std::uint64_t wrapped(std::uint64_t count) const {
        return meter_.counter_bits == 0 ? count & 0xFFFF'FFFFU
                                        : count & ((std::uint64_t{1} << meter_.counter_bits) - 1);
    }
    Duration time_to_next() {
        if (dice_.one_in(60))
            return dice_.of(std::array<Duration, 4>{hours{1}, hours{64}, hours{9}, hours{366 * 24}});
        return grid * dice_.of(std::array{6, 6, 6, 6, 6, 6, 0, 1, 2, 3, 4, 9, 10, 12, 18, 24});
    }
    void start_anew() {
        if (!dice_.one_in(6)) ++boot_;
        seq_ = dice_.below(3);
        started_at_ = now_ - grid * static_cast<int>(dice_.below(5));
        if (meter_.checkpoint_ticks > 0) {
            count_ -= count_ % meter_.checkpoint_ticks;
        } else if (dice_.one_in(2)) {
            count_ = 0;
        }
        saved_ = count_;
    }
    void gain(Duration passed) {
        const std::uint64_t most = rules_.plausible_max(passed);
        gained_ = dice_.of(std::array<std::uint64_t, 10>{0, 0, 0, 1, 2, 3, 7, most / 3, most, most + 1});
        count_ = wrapped(count_ + gained_);
        if (dice_.one_in(18)) count_ = wrapped(count_ - 1 - dice_.below(12));
        if (dice_.one_in(40)) count_ = wrapped(dice_.below(1U << 20));
        const std::uint64_t step = meter_.checkpoint_ticks;
        if (step > 0) saved_ = count_ - count_ % step;
        if (dice_.one_in(30))
            clock_error_ = grid * dice_.of(std::array{0, 0, 0, 4, 5, -4, -9, 240, -240, 64 * 120, -64 * 120});
    }

    Dice& dice_;
    const MeterSettings& meter_;
    const CounterRules rules_;
    std::array<bool, 5> tells_{};
    Instant now_ = noon;
    Instant started_at_ = noon;
    Duration clock_error_{0};
    std::uint64_t boot_ = 7;
    std::uint64_t seq_ = 0;
    std::uint64_t count_ = 0;
    std::uint64_t saved_ = 0;
    std::uint64_t gained_ = 0;
};

std::string shown(const Entry& entry) {
    return fmt::format("{}+{} {} {} {} {} {} {}/{}/{}\n", microseconds_of(entry.span.from),
                       entry.span.length().count(), entry.ticks, name_of(entry.kind), entry.time_estimated,
                       entry.unseen_max ? fmt::format("{}", *entry.unseen_max) : "-", entry.begin_count,
                       entry.end.count, entry.end.boot, entry.end.seq);
}

MeterSettings settings_of(Dice& dice, MessageForm form) {
    MeterSettings meter = counter_meter();
    meter.message = form;
    meter.counter_bits = dice.of(std::array{0, 8, 16, 32});
    meter.seq_bits = dice.of(std::array{4, 8, 32});
    meter.checkpoint_ticks = dice.of(std::array<std::uint64_t, 5>{0, 0, 1, 10, 100});
    meter.pulse_value_l = dice.of(std::array<Ratio, 4>{{{1, 1}, {1, 10}, {10, 1}, {1, 3}}});
    if (form == MessageForm::volume) {
        meter.counter_bits = 0;
        meter.rolls_over_at_l = dice.of(std::array<Ratio, 2>{{{0, 1}, {1'000, 1}}});
    }
    return meter;
}

class Run {
public:
    Run(std::uint64_t seed, MessageForm form)
        : dice_(seed), meter_(settings_of(dice_, form)), booker_(meter_), node_(dice_, meter_) {}

    void play(int steps) {
        for (int step = 0; step < steps; ++step)
            hear_one();
        if (const auto held = held_entry(booker_.state)) all_ += shown(*held);
    }
    [[nodiscard]] std::string told() const {
        std::string text;
        for (const auto& [what, count] : counts_)
            text += fmt::format("{} {}, ", what, count);
        return text + fmt::format("{} ticks, {:016x}\n", booker_.total(), fingerprint(all_));
    }

private:
    void hear_one() {
        Sent sent = node_.step();
        if (dice_.one_in(12)) {
            kept_.push_back(sent);
            return;
        }
        hear(sent);
        if (!kept_.empty() && dice_.one_in(4)) {
            Sent late = kept_.back();
            kept_.pop_back();
            late.waited = dice_.one_in(2);
            hear(late);
        }
        if (dice_.one_in(15)) hear(sent);
    }

    void hear(const Sent& sent) {
        Circumstances came;
        arrived_at_ =
            std::max(arrived_at_, node_.now() + grid * dice_.of(std::array{0, 0, 0, 0, 0, 1, 3, 4}));
        came.arrived_at =
            dice_.one_in(40) ? arrived_at_ - grid * static_cast<int>(dice_.below(12)) : arrived_at_;
        came.waited = sent.waited || dice_.one_in(15);
        if (came.waited) came.behind = static_cast<int>(dice_.below(4));
        came.retained = dice_.one_in(40);
        const auto& last = booker_.state.last;
        const bool is_left =
            last && sent.reading.boot && last->boot != sent.reading.boot && *sent.reading.boot < node_.boot();
        came.boot_goes_on = is_left && meter_.message == MessageForm::pulses && dice_.one_in(2);
        came.boot_already_left = is_left && !came.boot_goes_on;
        came.boot_is_doubtful = dice_.one_in(60);
        came.already_accepted = dice_.one_in(80);
        book(sent.reading, came);
    }

    void book(const Reading& reading, const Circumstances& came) {
        const Booking booking = booker_.with(came, reading);
        constexpr std::array outcomes{"first", "repeat", "late", "booked", "held"};
        count(outcomes.at(static_cast<std::size_t>(booking.outcome)));
        all_ += fmt::format("{} {}\n", static_cast<int>(booking.outcome), booking.clock_disbelieved);
        for (const Entry& entry : booking.entries()) {
            all_ += shown(entry);
            count(name_of(entry.kind));
            if (entry.time_estimated) count("placed");
        }
        for (const Observation& one : booking.accepted())
            all_ += fmt::format("accepted {} {}\n", microseconds_of(one.at), one.count);
        if (booking.stray) all_ += fmt::format("stray {}\n", booking.stray->count);
        if (booking.stray) count("stray");
        if (booking.late_at) divide_at(reading, *booking.late_at);
    }

    /// Divides the entry around a late reading. The run continues with the undivided entry.
    void divide_at(const Reading& reading, Instant at) {
        const auto& entries = booker_.entries;
        for (std::size_t i = 0; i < entries.size(); ++i) {
            const Entry& entry = entries[i];
            LateBooking late;
            if (meter_.message == MessageForm::pulses) {
                const bool is_missed = entry.kind == EntryKind::lost && reading.boot == entry.end.boot &&
                                       reading.seq &&
                                       booker_.rules.seq_distance(entry.begin_count, *reading.seq) >= 0 &&
                                       booker_.rules.seq_distance(*reading.seq, entry.end.seq) >= 0;
                if (!is_missed) continue;
                late = fill(entry, reading, booker_.rules);
            } else {
                if (!entry.covers() || at <= entry.span.from || at > entry.span.to) continue;
                late = divide(entry, i > 0 ? entries[i - 1].end : Mark{}, reading, at, booker_.rules);
            }
            constexpr std::array fits{"divides", "known", "contradicts"};
            count(fits.at(static_cast<std::size_t>(late.fit)));
            for (const Entry& part : late.parts())
                all_ += "part " + shown(part);
            return;
        }
    }

    void count(std::string_view what) { ++counts_[std::string(what)]; }

    Dice dice_;
    const MeterSettings meter_;
    Booker booker_;
    WildNode node_;
    std::vector<Sent> kept_;
    Instant arrived_at_ = noon;
    std::map<std::string, int> counts_;
    std::string all_;
};

}  // namespace

TEST_CASE("what is booked of wild runs of messages is what was booked of them before") {
    constexpr int runs = 150;
    constexpr int steps = 400;
    std::stringstream now;
    for (const auto& [form, name] :
         {std::pair{MessageForm::counter, "counter"}, std::pair{MessageForm::pulses, "pulses"},
          std::pair{MessageForm::volume, "volume"}}) {
        for (std::uint64_t seed = 1; seed <= runs; ++seed) {
            Run run(seed, form);
            run.play(steps);
            now << name << ' ' << seed << ": " << run.told();
        }
    }
    check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/core/runs_told.txt", 3 * runs);
}
