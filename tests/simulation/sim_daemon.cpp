#include "simulation/sim_daemon.hpp"

namespace tickledger::simulation {

namespace {

// No message is older than the program.
constexpr Instant release_time = std::chrono::sys_days{std::chrono::year{2025} / 1 / 1};
// Sooner than in practice, so that late messages meet packed days.
constexpr Duration pack_after = std::chrono::hours{1};
// More than any world has topics.
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
    const auto tell = [](Level, const std::string&) {};
    daemon->sync_ = std::make_unique<LogSync>(*store.log, settings.sync_every, tell);
    daemon->intake_ = std::make_unique<Intake>(Intake::Parts{
        .log = store.log.get(),
        .clock = &clock,
        .meters = {std::shared_ptr<void>(), &settings.meters},
        .clock_floor = store.clock_floor,
        .clock_reach = store.clock_reach,
        .has_undated = store.has_undated,
        .on_appended = [sync = daemon->sync_.get()] { return sync->appended(); },
        .tell = tell,
    });
    daemon->source_ =
        std::make_unique<LogSource>(machine.files(), messages_directory, *store.log, store.booked_to);
    daemon->engine_ = std::make_unique<Engine>(
        *store.ledger, *store.bookkeeper, *daemon->source_, store.booked_to,
        EngineSettings{
            .pack_after = pack_after, .packing_every = Duration{0}, .retention = settings.retention},
        tell);
    return daemon;
}

bool SimDaemon::accept(LinkChange change) {
    if (!change.up) engine_->publisher().link_went_down();
    return intake_->accept(change);
}

bool SimDaemon::reload(const std::vector<MeterSettings>& meters) {
    const auto loaded = engine_->use(meters, meters.size() + patterns_open);
    intake_->use({std::shared_ptr<void>(), &meters});
    return loaded.has_value();
}

Engine::Step SimDaemon::step() {
    intake_->watch_clock();
    return engine_->step(intake_->now());
}

Engine::Step SimDaemon::book_all() {
    for (;;) {
        if (const auto done = step(); done != Engine::Step::more) return done;
    }
}

void SimDaemon::publish(const std::function<void(const Outgoing&)>& send) {
    (void)engine_->step(intake_->now(), [&](const Outgoing& outgoing) {
        send(outgoing);
        engine_->publisher().acknowledged(outgoing.id);
        return true;
    });
}

}  // namespace tickledger::simulation
