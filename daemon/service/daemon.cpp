#include "service/daemon.hpp"

#include <systemd/sd-daemon.h>

#include <algorithm>
#include <unordered_map>

#include "book/bookkeeper.hpp"
#include "link/broker.hpp"
#include "serve/api.hpp"
#include "serve/http_server.hpp"
#include "serve/listen_socket.hpp"
#include "service/booking_loop.hpp"
#include "service/clock.hpp"
#include "service/intake.hpp"
#include "service/journal.hpp"
#include "service/publisher.hpp"
#include "service/syncer.hpp"
#include "service/version.hpp"
#include "store/ledger_view.hpp"
#include "store/message_log.hpp"

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
        server_.reset();
        loop_.reset();
        link_.reset();
        syncer_.reset();
    }

    [[nodiscard]] Started open_store();
    [[nodiscard]] Started open_sockets();
    [[nodiscard]] Started begin();

private:
    [[nodiscard]] Result<std::uint64_t> count_pending();
    [[nodiscard]] bool accept(Message&& message);
    [[nodiscard]] bool note_link(LinkChange change);
    [[nodiscard]] HealthFacts health();
    [[nodiscard]] std::vector<MeterHealth> meters_health();
    [[nodiscard]] const MeterSettings* settings_of(const std::string& id);
    [[nodiscard]] ApiParts api_parts();

    const Configuration configuration_;
    const CivilZone zone_;
    SystemClock clock_;
    std::unique_ptr<Files> files_ = machine_files();
    std::unique_ptr<MessageLog> log_;
    std::unique_ptr<Ledger> ledger_;
    std::unique_ptr<Bookkeeper> bookkeeper_;
    Publisher publisher_;
    std::unique_ptr<Syncer> syncer_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<BrokerLink> link_;
    std::unique_ptr<BookingLoop> loop_;
    std::vector<ListenSocket> sockets_;
    std::unique_ptr<Api> api_;
    std::unique_ptr<LedgerView> health_view_;  ///< Of the API's thread.
    std::unique_ptr<HttpServer> server_;
    /// Patterns resolved, for the API's thread alone.
    std::unordered_map<std::string, std::optional<MeterSettings>> resolved_;
};

Started RunningDaemon::open_store() {
    const auto& directory = configuration_.store.directory;
    if (const auto made = files_->make_directory(directory); !made) {
        return start_failure(exit_status::store_unusable, made.error().text);
    }
    auto ledger = Ledger::open(directory / "ledger.db");
    if (!ledger) {
        const int status =
            ledger.error().held_by_another ? exit_status::store_held : exit_status::store_unusable;
        return start_failure(status, ledger.error().text);
    }
    ledger_ = std::move(*ledger);
    auto log = MessageLog::open(*files_, directory / "messages");
    if (!log) return start_failure(exit_status::store_unusable, log.error().text);
    log_ = std::move(*log);
    if (log_->torn_bytes() > 0) {
        journal(Level::notice,
                "The message log ended in an unfinished line of " + std::to_string(log_->torn_bytes()) +
                    " bytes, left by a power cut. Its message was never acknowledged; the line is removed.");
    }
    bookkeeper_ =
        std::make_unique<Bookkeeper>(configuration_.meters, zone_, *ledger_, Publishing::everything);
    if (const auto loaded = bookkeeper_->load(); !loaded) {
        return start_failure(exit_status::store_unusable, loaded.error().text);
    }
    const auto pending = count_pending();
    if (!pending) return start_failure(exit_status::store_unusable, pending.error().text);
    const auto last_stamp = log_->last_stamp();
    // Stamps go on from where the last daemon's clock had come to.
    if (const auto settled = bookkeeper_->settled_until()) (void)log_->horizon(*settled);
    syncer_ = std::make_unique<Syncer>(*log_, configuration_.store.sync_every);
    intake_ = std::make_unique<Intake>(*log_, *syncer_, clock_, configuration_.meters,
                                       std::max(release_time, log_->last_stamp().value_or(release_time)));
    intake_->count_accepted(bookkeeper_->counts().booked + *pending);
    // While no daemon ran there was no link, and so no silence of any node.
    if (last_stamp &&
        !log_->append(LinkChange{.at = {}, .up = false, .session_present = false}, *last_stamp)) {
        return start_failure(
            exit_status::store_unusable,
            "The message log in " + directory.string() + " can not be written. Is there space on the disk?");
    }
    return {};
}

/// Messages of the log that are not booked yet: accepted, as those that are.
Result<std::uint64_t> RunningDaemon::count_pending() {
    const auto from = ledger_->log_position();
    if (!from) return tl::unexpected(from.error());
    MessageLogReader reader(*files_, configuration_.store.directory / "messages",
                            std::min(*from, log_->end()));
    for (std::uint64_t pending = 0;;) {
        const auto event = reader.next(log_->end());
        if (!event) return tl::unexpected(event.error());
        if (!*event) return pending;
        if (const Event& what = (*event)->event;
            std::holds_alternative<Message>(what) || std::holds_alternative<Unclocked>(what)) {
            ++pending;
        }
    }
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
    auto loop = BookingLoop::start({.configuration = &configuration_,
                                    .files = files_.get(),
                                    .log = log_.get(),
                                    .ledger = ledger_.get(),
                                    .bookkeeper = bookkeeper_.get(),
                                    .publisher = &publisher_,
                                    .intake = intake_.get(),
                                    .on_pass = [] { sd_notify(0, "WATCHDOG=1"); }});
    if (!loop) return start_failure(exit_status::store_unusable, loop.error().text);
    loop_ = std::move(*loop);
    loop_->settle();

    api_ = std::make_unique<Api>(api_parts());
    server_ = HttpServer::start(
        std::move(sockets_), {}, [this](const Request& request) { return api_->handle(request); },
        [](const std::string& line) { journal(Level::warning, line); });

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
    const auto stamp = log_->last_stamp();
    if (stamp && clock_.wall() + std::chrono::seconds{2} < *stamp) facts.stamps_held_at = stamp;
    return facts;
}

std::vector<MeterHealth> RunningDaemon::meters_health() {
    if (!health_view_) {
        auto view = LedgerView::open(configuration_.store.directory / "ledger.db");
        if (!view) return {};
        health_view_ = std::move(*view);
    }
    std::vector<MeterHealth> meters;
    const auto records = health_view_->meters();
    if (!records) return {};
    for (const MeterRecord& record : *records) {
        const MeterSettings* settings = settings_of(record.id);
        if (!settings) continue;
        const auto summary = summarise(record, *settings, zone_);
        if (!summary) continue;
        MeterHealth meter{.id = record.id,
                          .last_message_at = summary->heard_at,
                          .silent_since = {},
                          .clock_disbelieved_at = {}};
        const bool is_silent =
            !summary->heard_at || clock_.wall() - *summary->heard_at > settings->alarms.silent_after;
        if (is_silent) meter.silent_since = summary->heard_at;
        if (summary->clock_disbelieved) meter.clock_disbelieved_at = summary->last_reading_at;
        meters.push_back(std::move(meter));
    }
    return meters;
}

ApiParts RunningDaemon::api_parts() {
    return {.configuration = &configuration_,
            .zone = zone_,
            .open_view = [this] { return LedgerView::open(configuration_.store.directory / "ledger.db"); },
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
            .now = [this] { return clock_.wall(); }};
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
