// One server and one node, driven step by step by a test.
#pragma once

#include <catch2/catch.hpp>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "simulation/books.hpp"
#include "simulation/machine.hpp"
#include "simulation/sim_daemon.hpp"

namespace tickledger::simulation {

inline constexpr Instant noon =
    std::chrono::sys_days{std::chrono::year{2026} / 3 / 1} + std::chrono::hours{12};

inline MeterSettings house(MessageForm form = MessageForm::counter) {
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    meter.message = form;
    return meter;
}

/// The entries as text, for a failing story.
inline std::string words(const Books& books) {
    std::string text;
    for (const Entry& entry : books.meters().at(0).entries) {
        text += std::string(name_of(entry.kind)) + " " + format_utc(entry.span.from) + " to " +
                format_utc(entry.span.to) + " " + std::to_string(entry.ticks) +
                (entry.time_estimated ? " placed\n" : "\n");
    }
    return text + books.meters().at(0).state;
}

class Stage {
public:
    explicit Stage(MeterSettings meter = house())
        : settings{{std::move(meter)}, std::move(CivilZone::find("Europe/Lisbon").value())} {
        clock.true_time = clock.machine_started_at = noon;
        start();
    }
    ~Stage() {
        machine.strike(Blow::kill);
        daemon.reset();
    }

    void start() {
        machine.revive();
        auto started = SimDaemon::start(machine, settings, clock);
        INFO((started ? std::string() : started.error().text));
        REQUIRE(started);
        daemon = std::move(*started);
    }
    void kill() {
        machine.strike(Blow::kill);
        daemon.reset();
    }
    void cut_power(test::PowerCut how = test::PowerCut::forgets_all) {
        machine.cut_power(how);
        daemon.reset();
        clock.machine_started_at = clock.true_time;
    }
    void wait(Duration duration) { clock.true_time += duration; }
    void link_up(bool session_present = true) {
        REQUIRE(daemon->accept(LinkChange{.at = {}, .up = true, .session_present = session_present}));
    }

    /// A message with boot and seq, and `more` fields. Returns whether it was accepted.
    bool hear(std::uint64_t number, int seq, int boot = 1, const std::string& more = "",
              bool redelivered = false) {
        const bool pulses = settings.meters[0].message == MessageForm::pulses;
        Message message;
        message.topic = "nodes/house";
        message.payload = std::string("{\"") + (pulses ? "pulses" : "count") +
                          "\":" + std::to_string(number) + ",\"boot\":" + std::to_string(boot) +
                          ",\"seq\":" + std::to_string(seq) + more + "}";
        message.redelivered = redelivered;
        return daemon->accept(std::move(message));
    }
    /// The same, three minutes later.
    bool hear_next(std::uint64_t number, int seq, int boot = 1, const std::string& more = "") {
        wait(std::chrono::minutes{3});
        return hear(number, seq, boot, more);
    }
    /// The first message after a silence is booked half a cadence later, unless another arrives sooner.
    void let_silence_end() { wait(std::chrono::minutes{2}); }
    void book() { REQUIRE(daemon->book_all() == Engine::Step::done); }
    void sync() { REQUIRE(daemon->sync()); }

    /// Stops the daemon in order and reads its ledger. Afterwards only start() may be called.
    Books books() {
        daemon.reset();
        return std::move(Books::read(machine.vfs().name(), ledger_file).value());
    }
    /// Books everything, adds up the entries and starts the daemon again.
    std::int64_t total() {
        book();
        const Books read = books();
        std::int64_t sum = 0;
        for (const Entry& entry : read.meters().at(0).entries)
            sum += entry.ticks;
        start();
        return sum;
    }

    Machine machine{1};
    SimClock clock;
    DaemonSettings settings;
    std::unique_ptr<SimDaemon> daemon;
};

}  // namespace tickledger::simulation
