// Compares what is booked, reported and published for many wild homes with stored results. A change shows
// here as the homes that it affects. If the change is intended, write and commit the new results:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/book/tests_book 'what is booked*'
//
// The laws and the simulated worlds check whether the results are right; this test notices that they changed.
// The homes have unusual settings, every trouble of a node and of a link, and people who give the daemon
// every instruction there is. Moments are on the same grid as the limits. The results of each home are its
// tables as fingerprints, how often each kind of alarm was raised, and everything that was published.
#include <fmt/format.h>

#include <map>

#include "book/account.hpp"
#include "book/backlog_detector.hpp"
#include "book/instruction_documents.hpp"
#include "book/told_draws.hpp"
#include "ledger_world.hpp"
#include "simulation/books.hpp"
#include "simulation/chance.hpp"
#include "simulation/sim_vfs.hpp"
#include "support/told_before.hpp"

using namespace tickledger;
using namespace tickledger::test;
using simulation::Books;
using simulation::Chance;
using simulation::SimVfs;

namespace {

using std::chrono::hours;
using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

// Three days before Lisbon's clocks go forward.
const Instant start = Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 26}} + hours{20};
constexpr Duration grid = seconds{30};

template <typename T, std::size_t size>
T of(Chance& chance, const std::array<T, size>& values) {
    return values.at(chance.below(size));
}

MeterSettings wild_settings(Chance& chance) {
    MeterSettings meter = house();
    meter.message = of(chance, std::array{MessageForm::counter, MessageForm::counter, MessageForm::pulses});
    meter.counter_bits = of(chance, std::array{0, 16, 32});
    meter.seq_bits = of(chance, std::array{8, 16, 32});
    meter.checkpoint_ticks = of(chance, std::array<std::uint64_t, 4>{0, 1, 10, 100});
    meter.pulse_value_l = of(chance, std::array<Ratio, 4>{{{1, 1}, {1, 1}, {1, 2}, {10, 1}}});
    meter.cadence = of(chance, std::array<Duration, 3>{minutes{3}, minutes{10}, minutes{6}});
    meter.interval = of(chance, std::array<Duration, 4>{minutes{5}, minutes{15}, hours{1}, minutes{7}});
    meter.register_start_l = of(chance, std::array<Ratio, 3>{{{0, 1}, {123'456, 1}, {99'990, 1}}});
    meter.register_range_l = of(chance, std::array<Ratio, 2>{{{0, 1}, {100'000, 1}}});
    if (chance.happens(0.3)) {
        using date::literals::operator""_y;
        meter.pulse_value_changes = {{date::sys_days{2026_y / 3 / 28}, {99, 100}}};
    }
    AlarmSettings& alarms = meter.alarms;
    alarms.night_from = of(chance, std::array<Duration, 3>{hours{1}, hours{23}, minutes{90}});
    alarms.night_to = of(chance, std::array<Duration, 2>{hours{5}, hours{4}});
    alarms.still_for = of(chance, std::array<Duration, 3>{minutes{30}, minutes{60}, minutes{90}});
    alarms.high_flow_l_per_h = of(chance, std::array<Ratio, 2>{{{1800, 1}, {600, 1}}});
    alarms.high_flow_for = of(chance, std::array<Duration, 2>{minutes{10}, minutes{30}});
    alarms.long_draw_volume_l = of(chance, std::array<Ratio, 2>{{{500, 1}, {100, 1}}});
    alarms.long_draw_time = of(chance, std::array<Duration, 2>{hours{2}, minutes{30}});
    alarms.silent_after = of(chance, std::array<Duration, 3>{minutes{15}, minutes{50}, hours{2}});
    alarms.away = chance.happens(0.2);
    alarms.stagnant_for = of(chance, std::array<Duration, 2>{hours{6}, hours{12}});
    if (chance.happens(0.7)) alarms.on = {AlarmKind::stagnation, AlarmKind::slow_leak, AlarmKind::long_draw};
    if (chance.happens(0.2)) alarms.off = {AlarmKind(chance.below(alarm_kind_count))};
    return meter;
}

/// Collects every publication.
class Listener : public Audience {
public:
    [[nodiscard]] bool listens() const override { return true; }
    void hear(const std::vector<MeterPublication>& published) override {
        for (const MeterPublication& one : published) {
            ++counts[static_cast<int>(one.kind)];
            all += one.meter + one.payload + '\n';
            if (one.kind != MeterPublication::Kind::alarm) continue;
            const auto alarm = nlohmann::json::parse(one.payload);
            if (alarm["state"] == "unacknowledged") raised.insert_or_assign(alarm["id"], alarm);
        }
    }
    std::map<int, int> counts;
    std::map<std::int64_t, nlohmann::json> raised;
    std::string all;
};

/// Reads a memory's record, and the record with each byte changed, left out or cut off. Returns a fingerprint
/// of what was read.
std::string damaged(const std::string& record) {
    std::size_t read = 0;
    std::string all;
    const auto note = [&](const std::string& changed) {
        const auto memory = memory_from_record(changed);
        if (memory) ++read;
        all += memory ? to_record(*memory) : "!";
    };
    note(record);
    for (std::size_t at = 0; at < record.size(); ++at) {
        const std::string before = record.substr(0, at), rest = record.substr(at + 1);
        for (const int bit : {0, 1, 6, 7})
            note(before + static_cast<char>(record[at] ^ (1 << bit)) + rest);
        note(before + rest);
        note(before);
    }
    return fmt::format("  record of {} bytes: read {}, {:016x}\n", record.size(), read, fingerprint(all));
}

class WildHome {
public:
    /// A quiet home has a drip that never stops for a day, and not much else.
    WildHome(std::uint64_t seed, bool is_quiet)
        : chance_(seed), is_quiet_(is_quiet), vfs_(seed), meters_{wild_settings(chance_)} {
        for (bool& told : tells_)
            told = chance_.happens(0.65);
        count_ = chance_.below(60'000);
        open();
    }

    std::string live(int steps) {
        for (int step = 0; step < steps; ++step) {
            live_on();
            if (trouble(0.03)) person_acts();
            if (chance_.happens(0.2)) settle();
            if (chance_.happens(0.004)) open();
        }
        link(true, true);
        detector_.finish();
        settle();
        run_clock(now_ + hours{12});
        must(keeper_->end_recording());
        return told();
    }

private:
    const MeterSettings& meter() const { return meters_.front(); }
    /// Trouble is rare in a quiet home.
    bool trouble(double probability) { return chance_.happens(is_quiet_ ? probability / 20 : probability); }

    void open() {
        keeper_.reset();
        ledger_.reset();
        ledger_ = std::move(Ledger::open("home.db", vfs_.name()).value());
        keeper_ = std::make_unique<Bookkeeper>(meters_, zone_, *ledger_, Publishing::everything, 1);
        keeper_->tell_to(&listener_);
        if (chance_.happens(0.3)) keeper_->keep_awake(0);
        must(keeper_->load());
    }

    // The water that runs, and what the node sends.
    void live_on() {
        const Duration cadence = meter().cadence;
        Duration passed = cadence;
        if (trouble(0.1)) passed = grid * (1 + static_cast<int>(chance_.below(40)));
        if (trouble(0.006)) passed = of(chance_, std::array<Duration, 3>{hours{3}, hours{11}, hours{30}});
        now_ += passed;
        if (left_of_regime_-- <= 0) {
            regime_ = of(chance_, std::array{0, 0, 0, 1, 1, 2, 3, 4});
            left_of_regime_ = 5 + static_cast<int>(chance_.below(90));
            const Duration clock = now_ - std::chrono::floor<std::chrono::days>(now_);
            if (is_quiet_ && (clock < hours{6} || chance_.happens(0.8))) regime_ = 5;
            if (is_quiet_) left_of_regime_ /= 6;
        }
        gained_ += ticks_in(passed);
        if (trouble(0.012)) start_anew();
        ++seq_;
        if (trouble(0.03)) return;
        say(payload());
    }
    std::uint64_t ticks_in(Duration passed) {
        const double litres =
            std::chrono::duration<double, std::ratio<3600>>(passed).count() *
            std::array{0.0, 6.0, 90.0, 700.0, 1900.0, 0.7}.at(static_cast<std::size_t>(regime_));
        part_ += litres / meter().pulse_value_l.value();
        const auto ticks = static_cast<std::uint64_t>(part_);
        part_ -= static_cast<double>(ticks);
        ran_ += ticks;
        return ticks;
    }
    void start_anew() {
        if (chance_.happens(0.9)) ++boot_;
        seq_ = 0;
        started_at_ = now_;
        const std::uint64_t step = meter().checkpoint_ticks;
        count_ = step > 0 ? count_ - count_ % step : 0;
    }
    std::string payload() {
        count_ += gained_;
        if (trouble(0.01)) count_ -= std::min<std::uint64_t>(count_, 1 + chance_.below(5));
        if (trouble(0.005)) count_ = chance_.below(50'000);
        std::uint64_t said = meter().message == MessageForm::pulses ? gained_ : count_;
        if (meter().message == MessageForm::counter && meter().counter_bits == 16) said &= 0xFFFF;
        if (trouble(0.01)) said = chance_.below(60'000);
        gained_ = 0;
        std::string text = meter().message == MessageForm::pulses ? "{\"pulses\":" : "{\"count\":";
        text += std::to_string(said);
        if (tells_[0]) text += ",\"boot\":" + std::to_string(boot_);
        if (tells_[1])
            text += ",\"seq\":" + std::to_string(seq_ & ((std::uint64_t{1} << meter().seq_bits) - 1));
        if (tells_[2]) text += ",\"time\":\"" + format_utc(now_ + clock_error_) + "\"";
        if (tells_[3])
            text += ",\"uptime\":" + std::to_string(std::chrono::floor<seconds>(now_ - started_at_).count());
        if (trouble(0.01)) clock_error_ = grid * (static_cast<int>(chance_.below(600)) - 300);
        if (chance_.happens(0.05)) clock_error_ = Duration{0};
        return trouble(0.004) ? text : text + "}";
    }

    // How the messages arrive.
    void say(const std::string& text) {
        if (trouble(0.02)) link_is_up_ ? link(false, false) : link(true, chance_.happens(0.8));
        if (trouble(0.01)) node_is_away_ = !node_is_away_;
        if (!link_is_up_ || node_is_away_) {
            queue_.push_back(text);
            return;
        }
        for (const std::string& waited : std::exchange(queue_, {}))
            arrive(waited, milliseconds{100});
        arrive(text, grid * of(chance_, std::array{0, 0, 0, 0, 1, 3}));
        if (trouble(0.02)) arrive(text, seconds{1}, true);
    }
    void link(bool up, bool session_present) {
        stamp_ = std::max(stamp_, now_) + milliseconds{10};
        add(LinkChange{stamp_, up, session_present});
        link_is_up_ = up;
        for (const std::string& waited : up ? std::exchange(queue_, {}) : std::vector<std::string>())
            arrive(waited, milliseconds{chance_.below(1'100)});
    }
    void arrive(const std::string& text, Duration delay, bool again = false) {
        stamp_ = std::max(stamp_, now_) + delay;
        Message message;
        message.arrived_at = stamp_;
        message.topic = trouble(0.003) ? "nodes/nobody" : meter().topic;
        message.payload = text;
        message.redelivered = again;
        message.retained = trouble(0.01);
        if (!trouble(0.01)) return add(std::move(message));
        const Duration since_boot = stamp_ - start;
        add(Unclocked{std::move(message), since_boot});
        stamp_ += grid;
        add(ClockSet{stamp_, since_boot + grid * static_cast<int>(chance_.below(3)), {}});
    }
    void add(Event event) {
        latest_ = std::max(latest_, time_of(event));
        detector_.add(std::move(event), {});
    }
    void settle() {
        if (chance_.happens(0.5)) detector_.pause(latest_ + seconds{1});
        const auto ready = detector_.take();
        if (!ready.deliveries.empty()) must(keeper_->book({.deliveries = ready.deliveries}));
        if (!detector_.holds_back() && chance_.happens(0.7)) run_clock(latest_);
        for (const OddMessage& odd : keeper_->take_odd())
            odd_ += fmt::format("{} {} {}\n", static_cast<int>(odd.kind), odd.topic, odd.text);
        if (chance_.happens(0.03)) (void)must(keeper_->pack_oldest(latest_ - hours{30}));
        if (chance_.happens(0.01)) must(keeper_->remove_fine_detail(latest_ - hours{60}));
    }
    void run_clock(Instant until) { must(keeper_->book({.until = until})); }

    // The instructions of people.
    void person_acts() {
        stamp_ = std::max(stamp_, now_) + milliseconds{1};
        const std::string document = said_by_person();
        add(Instruction{stamp_, document});
        if (chance_.happens(0.1)) add(Instruction{stamp_, document});
    }
    std::string said_by_person() {
        const std::string id = meter().id;
        switch (chance_.below(12)) {
            case 0:
            case 1:
                return instruction_to_read(id, reading());
            case 2:
                return instruction_to_take_back(
                    id, read_at_.empty() ? now_ : read_at_[chance_.below(read_at_.size())]);
            case 3:
                return instruction_to_set(id, midnight(),
                                          {static_cast<std::int64_t>(95 + chance_.below(10)), 100});
            case 4:
                return instruction_to_be_home(id);
            case 5:
                return instruction_to_be_away(id, {}, now_ + grid * static_cast<int>(chance_.below(1'500)));
            case 6:
                return instruction_to_import(id, "old", history());
            case 7:
                return instruction_to_undo(id, chance_.happens(0.7) ? "old" : "none");
            case 8:
                return instruction_to_tell(id, {now_ - grid * static_cast<int>(chance_.below(9)),
                                                DrawLabel(chance_.below(8)), "mine", 9'000'000, 1});
            case 9:
                return instruction_to_forget(id, now_ - grid * static_cast<int>(chance_.below(9)));
            default:
                return said_of_alarm(id);
        }
    }
    SaidReading reading() {
        const double litres =
            meter().register_start_l.value() + static_cast<double>(ran_) * meter().pulse_value_l.value();
        auto ul =
            static_cast<std::int64_t>(litres * 1e6) + static_cast<std::int64_t>(chance_.below(9)) * 1'000'000;
        if (meter().register_range_l.numerator > 0) ul %= 100'000'000'000;
        read_at_.push_back(now_ - grid * static_cast<int>(chance_.below(chance_.happens(0.3) ? 600 : 6)));
        return {read_at_.back(), ul, 1'000'000, read_at_.size() == 1 && chance_.happens(0.4)};
    }
    Instant midnight() {
        return zone_.row_at(Step::day, {}, now_ - hours{24 * static_cast<int>(chance_.below(3))}).from;
    }
    std::vector<HistoryPoint> history() {
        std::vector<HistoryPoint> points;
        std::int64_t ticks = 0;
        for (int day = 9; day >= 0; --day) {
            ticks += static_cast<std::int64_t>(chance_.below(300));
            points.push_back(
                {start - hours{24 * day + 20} + grid * static_cast<int>(chance_.below(9)), ticks});
        }
        return points;
    }
    std::string said_of_alarm(const std::string& id) {
        if (listener_.raised.empty()) return "{}";
        auto chosen = listener_.raised.begin();
        std::advance(chosen, static_cast<std::ptrdiff_t>(chance_.below(listener_.raised.size())));
        Alarm alarm;
        alarm.kind = *alarm_kind_named(chosen->second["kind"].get<std::string>());
        alarm.raised_at = *parse_rfc3339(chosen->second["raised_at"].get<std::string>());
        switch (chance_.below(4)) {
            case 0:
                return instruction_to_acknowledge(id, alarm);
            case 1:
                return instruction_to_unacknowledge(id, alarm);
            case 2:
                return instruction_to_shelve(id, alarm, seconds{1 + chance_.below(30'000)});
            default:
                return instruction_to_unshelve(id, alarm);
        }
    }

    std::string told() {
        std::string text;
        const auto fact = [&](const std::string& name) { return must(ledger_->fact(name)).value_or("-"); };
        std::map<std::string, int> alarms;
        for (const auto& [raised, alarm] : listener_.raised)
            ++alarms[alarm["kind"]];
        for (const auto& [kind, count] : alarms)
            text += fmt::format("{} {}, ", kind, count);
        text += "published";
        for (const auto& [kind, count] : listener_.counts)
            text += fmt::format(" {}", count);
        text += fmt::format(" {:016x}\n  facts: {} {} {} {}, deadlines {}, odd {:016x}, told draws {:016x}\n",
                            fingerprint(listener_.all), fact("messages"), fact("link"), fact("settled_until"),
                            fact("now_waits"), keeper_->deadlines_met(), fingerprint(odd_),
                            fingerprint(fact(told_draws_fact(meter().id))));
        keeper_.reset();
        ledger_.reset();
        const Books books = must(Books::read(vfs_.name(), "home.db"));
        for (const std::string& line : books.told()) {
            if (line.starts_with("all ")) text += "  " + line + '\n';
        }
        return text + damaged(books.meters().at(0).state);
    }

    Chance chance_;
    const bool is_quiet_;
    SimVfs vfs_;
    const std::vector<MeterSettings> meters_;
    const CivilZone zone_ = CivilZone::find("Europe/Lisbon").value();
    Listener listener_;
    std::string odd_;
    std::unique_ptr<Ledger> ledger_;
    std::unique_ptr<Bookkeeper> keeper_;
    BacklogDetector detector_;
    std::vector<std::string> queue_;
    std::vector<Instant> read_at_;
    std::array<bool, 4> tells_{};
    Instant now_ = start, stamp_ = start, latest_ = start, started_at_ = start;
    Duration clock_error_{0};
    bool link_is_up_ = true, node_is_away_ = false;
    int regime_ = 0, left_of_regime_ = 0;
    double part_ = 0;
    std::uint64_t count_ = 0, gained_ = 0, ran_ = 0, boot_ = 7, seq_ = 0;
};

}  // namespace

TEST_CASE("what is booked and reported for these homes has not changed") {
    constexpr int wild = 40;
    constexpr int quiet = 12;
    std::stringstream now;
    for (std::uint64_t seed = 1; seed <= wild; ++seed)
        now << "home " << seed << ": " << WildHome(seed, false).live(1'000);
    for (std::uint64_t seed = 1; seed <= quiet; ++seed)
        now << "quiet home " << seed << ": " << WildHome(seed, true).live(2'500);
    check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/book/homes_told.txt", 13 * (wild + quiet));
}
