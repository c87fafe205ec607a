#include "simulation/sim_daemon.hpp"

namespace tickledger::simulation {

namespace {

// No message is older than the program.
constexpr Instant release_time = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1};
// Sooner than anybody would, so that late messages meet packed days.
constexpr Duration pack_after = std::chrono::hours{1};
constexpr int publications_at_once = 500;
// More than any world has topics for.
constexpr std::size_t patterns_open = 1000;

}  // namespace

Result<std::unique_ptr<SimDaemon>> SimDaemon::start(Machine& machine, const DaemonSettings& settings,
                                                    const SimClock& clock) {
    auto opened =
        open_store(machine.files(), store_directory, settings.meters, settings.meters.size() + patterns_open,
                   settings.zone, release_time, machine.vfs().name());
    if (!opened) return fail(opened.error().text);
    std::unique_ptr<SimDaemon> daemon(new SimDaemon);
    daemon->store_ = std::move(*opened);
    const OpenedStore& store = daemon->store_;
    auto told_from = store.ledger->log_position();
    if (!told_from) return tl::unexpected(told_from.error());
    daemon->told_from_ = std::move(*told_from);
    daemon->intake_ = std::make_unique<Intake>(Intake::Parts{
        .log = store.log.get(),
        .clock = &clock,
        .meters = {std::shared_ptr<void>(), &settings.meters},
        .clock_floor = store.clock_floor,
        .has_undated = store.has_undated,
        .on_appended = [] { return true; },
        .tell = [](Level, const std::string&) {},
    });
    daemon->booker_ = std::make_unique<Booker>(machine.files(), messages_directory, *store.log,
                                               *store.bookkeeper, store.booked_to);
    return daemon;
}

Booker::Pass SimDaemon::pass() {
    intake_->watch_clock();
    bool took = false;
    const Booker::Pass pass = booker_->pass(intake_->now(), acknowledged_, &took);
    if (took) acknowledged_.clear();
    // Where it fails, nothing is lost, and a later pass tries again.
    if (pass == Booker::Pass::done) (void)store_.bookkeeper->pack_oldest_day(intake_->now() - pack_after);
    return pass;
}

Booker::Pass SimDaemon::book_all() {
    for (;;) {
        if (const auto done = pass(); done != Booker::Pass::more) return done;
    }
}

void SimDaemon::publish(const std::function<void(const Outgoing&)>& send) {
    for (;;) {
        const auto waiting = store_.ledger->outbox(sent_id_, publications_at_once);
        if (!waiting || waiting->empty()) return;
        for (const Outgoing& outgoing : *waiting) {
            send(outgoing);
            acknowledged_.push_back(outgoing.id);
        }
        sent_id_ = waiting->back().id;
    }
}

}  // namespace tickledger::simulation
