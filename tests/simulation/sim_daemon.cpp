#include "simulation/sim_daemon.hpp"

#include <algorithm>

#include "tickledger/message.hpp"

namespace tickledger::simulation {

namespace {

// No message is older than the program.
constexpr Instant release_time = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1};
constexpr int publications_at_once = 500;

}  // namespace

Result<std::unique_ptr<SimDaemon>> SimDaemon::start(Machine& machine, const DaemonSettings& settings,
                                                    const SimClock& clock) {
    std::unique_ptr<SimDaemon> daemon(new SimDaemon(clock));
    if (auto opened = daemon->open(machine, settings); !opened) return tl::unexpected(opened.error());
    return daemon;
}

Result<void> SimDaemon::open(Machine& machine, const DaemonSettings& settings) {
    settings_ = &settings;
    auto ledger = Ledger::open(ledger_file, machine.vfs().name());
    if (!ledger) return fail(ledger.error().text);
    ledger_ = std::move(*ledger);
    auto log = MessageLog::open(machine.files(), messages_directory);
    if (!log) return tl::unexpected(log.error());
    log_ = std::move(*log);
    bookkeeper_ =
        std::make_unique<Bookkeeper>(settings.meters, settings.zone, *ledger_, Publishing::everything);
    if (auto loaded = bookkeeper_->load(); !loaded) return loaded;
    const auto from = ledger_->log_position();
    if (!from) return tl::unexpected(from.error());
    started_from_ = *from;
    const auto last_stamp = log_->last_stamp();
    if (const auto settled = bookkeeper_->settled_until()) (void)log_->horizon(*settled);
    clock_ = std::make_unique<TrustedClock>(
        server_clock_, std::max(release_time, log_->last_stamp().value_or(release_time)));
    if (last_stamp) {
        if (auto noted =
                log_->append(LinkChange{.at = {}, .up = false, .session_present = false}, *last_stamp);
            !noted) {
            return tl::unexpected(noted.error());
        }
    }
    booker_ = std::make_unique<Booker>(machine.files(), messages_directory, *log_, *bookkeeper_, *from);
    return {};
}

bool SimDaemon::accept(Message message) {
    watch_clock();
    auto at = clock_->now();
    if (!at) {
        ask_node(message);
        watch_clock();
        at = clock_->now();
    }
    if (at) return log_->append(std::move(message), *at).has_value();
    has_undated_ = true;
    return log_->append(Unclocked{std::move(message), server_clock_.since_boot()}, clock_->floor())
        .has_value();
}

bool SimDaemon::accept(LinkChange change) {
    watch_clock();
    return log_->append(change, now()).has_value();
}

void SimDaemon::watch_clock() {
    if (!has_undated_) return;
    const auto at = clock_->now();
    if (at && log_->append(ClockSet{*at, server_clock_.since_boot()}, *at)) has_undated_ = false;
}

void SimDaemon::ask_node(const Message& message) {
    for (const MeterSettings& meter : settings_->meters) {
        if (!topic_matches(meter.topic, message.topic)) continue;
        const auto readings = decode(message.payload, meter, clock_->floor());
        if (!readings) continue;
        for (const Reading& reading : *readings) {
            if (reading.time) clock_->hear(*reading.time);
        }
    }
}

Booker::Pass SimDaemon::pass() {
    watch_clock();
    bool took = false;
    const Booker::Pass pass = booker_->pass(now(), acknowledged_, &took);
    if (took) acknowledged_.clear();
    return pass;
}

Booker::Pass SimDaemon::book_all() {
    for (;;) {
        if (const auto done = pass(); done != Booker::Pass::more) return done;
    }
}

void SimDaemon::publish(const std::function<void(const Outgoing&)>& send) {
    for (;;) {
        const auto waiting = ledger_->outbox(sent_id_, publications_at_once);
        if (!waiting || waiting->empty()) return;
        for (const Outgoing& outgoing : *waiting) {
            send(outgoing);
            acknowledged_.push_back(outgoing.id);
        }
        sent_id_ = waiting->back().id;
    }
}

}  // namespace tickledger::simulation
