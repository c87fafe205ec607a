#include "service/daemon.hpp"

#include <systemd/sd-daemon.h>

#include <algorithm>
#include <unordered_map>

#include "link/broker.hpp"
#include "serve/api.hpp"
#include "serve/http_server.hpp"
#include "serve/listen_socket.hpp"
#include "serve/news.hpp"
#include "service/booking_loop.hpp"
#include "service/clock.hpp"
#include "service/intake.hpp"
#include "service/journal.hpp"
#include "service/opened_store.hpp"
#include "service/publisher.hpp"
#include "service/syncer.hpp"
#include "service/version.hpp"
#include "store/ledger_view.hpp"

namespace tickledger {

namespace {

constexpr Duration goodbye_longest = std::chrono::milliseconds{700};

using Started = tl::expected<void, StartFailure>;

tl::unexpected<StartFailure> start_failure(int status, std::string text) {
    return tl::unexpected(StartFailure{status, std::move(text)});
}

std::vector<std::string> topic_filters(const Configuration& configuration) {
    std::vector<std::string> filters;
    for (const MeterSettings& meter : configuration.meters) {
        if (std::find(filters.begin(), filters.end(), meter.topic) == filters.end())
            filters.push_back(meter.topic);
    }
    return filters;
}

class RunningDaemon final : public Daemon {
public:
    explicit RunningDaemon(Configuration configuration, CivilZone zone)
        : configuration_(std::move(configuration)),
          zone_(std::move(zone)),
          publisher_(configuration_.broker.topic_root) {}

    ~RunningDaemon() override {
        sd_notify(0, "STOPPING=1");
        // Against the flow: first nothing new comes in, then what came is booked, then the ledger closes.
        if (link_) link_->stop(goodbye_longest);
        if (loop_) loop_->use_link(nullptr);
        news_.wake_with({});
        server_.reset();
        loop_.reset();
        link_.reset();
        syncer_.reset();
    }

    [[nodiscard]] Started open_store();
    [[nodiscard]] Started open_sockets();
    [[nodiscard]] Started begin();

private:
    [[nodiscard]] bool accept(Message&& message);
    [[nodiscard]] bool note_link(LinkChange change);
    [[nodiscard]] HealthFacts health();
    [[nodiscard]] std::vector<MeterHealth> meters_health();
    /// But for its silence, which time alone brings. Null: its record is damaged.
    [[nodiscard]] const MeterHealth* heard_of(const MeterRecord& record, const MeterSettings& settings);
    [[nodiscard]] const MeterSettings* settings_of(const std::string& id);
    [[nodiscard]] ApiParts api_parts();

    const Configuration configuration_;
    const CivilZone zone_;
    SystemClock clock_;
    std::unique_ptr<Files> files_ = machine_files();
    News news_;
    OpenedStore store_;
    Publisher publisher_;
    std::unique_ptr<Syncer> syncer_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<BrokerLink> link_;
    std::unique_ptr<BookingLoop> loop_;
    std::vector<ListenSocket> sockets_;
    std::unique_ptr<Api> api_;
    std::unique_ptr<LedgerView> health_view_;  ///< Of the API's thread.
    std::unique_ptr<HttpServer> server_;
    /// Health is looked at every few seconds while somebody watches, so records that are as they were are not
    /// read anew. For the API's thread alone.
    struct Heard {
        std::size_t fingerprint = 0;
        MeterHealth meter;
    };
    std::unordered_map<std::string, Heard> heard_;
    /// Patterns resolved, for the API's thread alone.
    std::unordered_map<std::string, std::optional<MeterSettings>> resolved_;
};

Started RunningDaemon::open_store() {
    auto opened = tickledger::open_store(*files_, configuration_.store.directory, configuration_.meters,
                                         zone_, release_time);
    if (!opened) {
        const UnusableStore& failure = opened.error();
        const int status = failure.held_by_another ? exit_status::store_held : exit_status::store_unusable;
        return start_failure(status, failure.text);
    }
    store_ = std::move(*opened);
    if (const auto torn_bytes = store_.log->torn_bytes(); torn_bytes > 0) {
        journal(Level::notice,
                "The message log ended in an unfinished line of " + std::to_string(torn_bytes) +
                    " bytes, left by a power cut. Its message was never acknowledged; the line is removed.");
    }
    syncer_ = std::make_unique<Syncer>(*store_.log, configuration_.store.sync_every);
    intake_ = std::make_unique<Intake>(Intake::Parts{
        .log = store_.log.get(),
        .clock = &clock_,
        .meters = &configuration_.meters,
        .clock_floor = store_.clock_floor,
        .has_undated = store_.has_undated,
        .on_appended = [this] { return syncer_->appended(); },
        .tell = [](Level level, const std::string& text) { journal(level, text); },
    });
    intake_->count_accepted(store_.bookkeeper->counts().booked + store_.pending_messages);
    return {};
}

Started RunningDaemon::open_sockets() {
    auto local = ListenSocket::on_path(configuration_.socket.path, configuration_.socket.mode);
    if (!local) return start_failure(exit_status::no_socket, local.error().text);
    sockets_.push_back(std::move(*local));
    if (configuration_.socket.http.empty()) return {};
    auto loopback = ListenSocket::on_loopback(configuration_.socket.http);
    if (!loopback) return start_failure(exit_status::no_socket, loopback.error().text);
    sockets_.push_back(std::move(*loopback));
    return {};
}

Started RunningDaemon::begin() {
    store_.bookkeeper->tell_to(&news_);
    loop_ = std::make_unique<BookingLoop>(BookingLoop::Parts{.configuration = &configuration_,
                                                             .files = files_.get(),
                                                             .store = &store_,
                                                             .publisher = &publisher_,
                                                             .intake = intake_.get(),
                                                             .on_pass = [] { sd_notify(0, "WATCHDOG=1"); }});
    loop_->settle();

    api_ = std::make_unique<Api>(api_parts());
    server_ = HttpServer::start(
        std::move(sockets_), {}, [this](const Request& request) { return api_->handle(request); },
        [](const std::string& line) { journal(Level::warning, line); });
    news_.wake_with([this] { server_->wake(); });

    auto link =
        BrokerLink::start(configuration_.broker, topic_filters(configuration_),
                          {.on_message = [this](Message&& message) { return accept(std::move(message)); },
                           .on_link = [this](LinkChange change) { return note_link(change); },
                           .on_published =
                               [this](std::int64_t id) {
                                   publisher_.acknowledged(id);
                                   loop_->wake_for_sending();
                               },
                           .on_trouble = [](const std::string& line) { journal(Level::warning, line); }});
    if (!link) return start_failure(exit_status::configuration, link.error().text);
    link_ = std::move(*link);
    loop_->use_link(link_.get());
    sd_notify(0, "READY=1\nSTATUS=Booking.");
    return {};
}

bool RunningDaemon::accept(Message&& message) {
    if (!intake_->accept(std::move(message))) return false;
    loop_->wake();
    return true;
}

bool RunningDaemon::note_link(LinkChange change) {
    if (!change.up) publisher_.link_went_down();
    if (!intake_->accept(change)) return false;
    loop_->wake();
    if (change.up) loop_->wake_for_sending();
    return true;
}

const MeterSettings* RunningDaemon::settings_of(const std::string& id) {
    auto [found, is_new] = resolved_.try_emplace(id);
    if (is_new) found->second = settings_for(configuration_.meters, id);
    return found->second ? &*found->second : nullptr;
}

HealthFacts RunningDaemon::health() {
    HealthFacts facts;
    facts.version = version;
    if (link_) {
        const LinkState link = link_->state();
        facts.broker_connected = link.connected;
        facts.broker_subscribed = link.subscribed;
        facts.broker_trouble = link.trouble;
    }
    const BookingState booking = loop_->state();
    facts.store_error = booking.trouble;
    facts.messages_accepted = intake_->accepted();
    facts.messages_booked = booking.counts.booked;
    facts.messages_unreadable = booking.counts.unreadable;
    facts.messages_stray = booking.counts.stray;
    facts.messages_undated = booking.undated;
    facts.meters = meters_health();
    const auto stamp = store_.log->last_stamp();
    if (stamp && clock_.wall() + std::chrono::seconds{2} < *stamp) facts.stamps_held_at = stamp;
    return facts;
}

std::vector<MeterHealth> RunningDaemon::meters_health() {
    if (!health_view_) {
        auto view = LedgerView::open(configuration_.store.directory / ledger_name);
        if (!view) return {};
        health_view_ = std::move(*view);
    }
    std::vector<MeterHealth> meters;
    const auto records = health_view_->meters();
    if (!records) return {};
    for (const MeterRecord& record : *records) {
        const MeterSettings* settings = settings_of(record.id);
        if (!settings) continue;
        const MeterHealth* heard = heard_of(record, *settings);
        if (!heard) continue;
        MeterHealth& meter = meters.emplace_back(*heard);
        const auto& heard_at = meter.last_message_at;
        if (!heard_at || clock_.wall() - *heard_at > settings->alarms.silent_after)
            meter.silent_since = heard_at;
    }
    return meters;
}

const MeterHealth* RunningDaemon::heard_of(const MeterRecord& record, const MeterSettings& settings) {
    auto [found, is_new] = heard_.try_emplace(record.id);
    Heard& heard = found->second;
    const std::size_t fingerprint = std::hash<std::string>{}(record.state);
    if (!is_new && heard.fingerprint == fingerprint) return &heard.meter;
    const auto summary = summarise(record, settings, zone_);
    if (!summary) {
        heard_.erase(found);
        return nullptr;
    }
    heard = {fingerprint,
             {.id = record.id,
              .last_message_at = summary->heard_at,
              .silent_since = {},
              .clock_disbelieved_at = summary->clock_disbelieved ? summary->last_reading_at : std::nullopt}};
    return &heard.meter;
}

ApiParts RunningDaemon::api_parts() {
    return {.configuration = &configuration_,
            .zone = zone_,
            .open_view = [this] { return LedgerView::open(configuration_.store.directory / ledger_name); },
            .settings_for = [this](const std::string& id) { return settings_of(id); },
            .summarise = [this](const MeterRecord& record,
                                const MeterSettings& settings) { return summarise(record, settings, zone_); },
            .health = [this] { return health(); },
            .settle = [this] { loop_->settle(); },
            .instruct =
                [this](std::string order) {
                    auto kept = intake_->accept_instruction(std::move(order));
                    if (kept) loop_->wake();
                    return kept;
                },
            .now = [this] { return clock_.wall(); },
            .news = &news_};
}

}  // namespace

tl::expected<std::unique_ptr<Daemon>, StartFailure> Daemon::start(Configuration configuration) {
    const auto zone = CivilZone::find(configuration.timezone);
    if (!zone) return start_failure(exit_status::configuration, zone.error().text);
    auto daemon = std::make_unique<RunningDaemon>(std::move(configuration), *zone);
    for (const auto step :
         {&RunningDaemon::open_store, &RunningDaemon::open_sockets, &RunningDaemon::begin}) {
        if (const auto done = ((*daemon).*step)(); !done) return tl::unexpected(done.error());
    }
    return daemon;
}

}  // namespace tickledger
