// This file is long because it holds, in order, how everything starts, is connected and ends.
#include "service/daemon.hpp"

#include <fmt/format.h>
#include <sys/resource.h>
#include <systemd/sd-daemon.h>

#include <algorithm>
#include <atomic>

#include "engine/clock.hpp"
#include "engine/engine.hpp"
#include "engine/event_source.hpp"
#include "engine/intake.hpp"
#include "engine/log_sync.hpp"
#include "engine/opened_store.hpp"
#include "link/broker.hpp"
#include "serve/access.hpp"
#include "serve/http_server.hpp"
#include "serve/listen_socket.hpp"
#include "serve/news.hpp"
#include "service/answers.hpp"
#include "service/engine_thread.hpp"
#include "service/housekeeper.hpp"
#include "service/journal.hpp"
#include "service/redate.hpp"
#include "service/syncer.hpp"
#include "service/version.hpp"
#include "store/files.hpp"
#include "store/rescue.hpp"
#include "store/writer_lock.hpp"

namespace tickledger {

namespace {

constexpr Duration goodbye_longest = std::chrono::milliseconds{700};
constexpr std::chrono::seconds between_signs_of_life{1};
// A ledger that takes longer to check is checked while booking already runs.
constexpr Duration check_longest = std::chrono::milliseconds{100};

std::size_t descriptors_allowed() {
    rlimit allowed{};
    return ::getrlimit(RLIMIT_NOFILE, &allowed) == 0 ? static_cast<std::size_t>(allowed.rlim_cur) : 0;
}

using Started = tl::expected<void, StartFailure>;

std::vector<std::string> topic_filters(const Configuration& configuration) {
    std::vector<std::string> filters;
    for (const MeterSettings& meter : configuration.meters) {
        if (std::find(filters.begin(), filters.end(), meter.topic) == filters.end())
            filters.push_back(meter.topic);
    }
    return filters;
}

/// The one line that a start writes to the journal: what runs, and where to look.
std::string start_line(const Configuration& configuration) {
    std::string line =
        fmt::format("tickledgerd {} has started: {} [[meter]] table{}, broker {}, socket {}", version,
                    configuration.meters.size(), configuration.meters.size() == 1 ? "" : "s",
                    configuration.broker.url, configuration.socket.path.string());
    if (!configuration.socket.http.empty())
        line += fmt::format(", page at http://{}/", configuration.socket.http);
    return line + ".";
}

}  // namespace

/// Everything that runs. It is defined here so that main includes none of its headers.
class Daemon::Parts {
public:
    Parts(Configuration configuration, CivilZone zone, std::function<void(const StartFailure&)> on_fatal)
        : configuration_(std::make_shared<const Configuration>(std::move(configuration))),
          zone_(std::move(zone)),
          on_fatal_(std::move(on_fatal)) {}

    ~Parts() {
        sd_notify(0, "STOPPING=1");
        // Stops in the direction of the flow: first the input, then booking of what was accepted, then the
        // ledger.
        if (link_) link_->stop(goodbye_longest);
        if (engine_thread_) engine_thread_->use_link(nullptr);
        news_.wake_with({});
        server_.reset();
        engine_thread_.reset();
        link_.reset();
        housekeeper_.reset();
        syncer_.reset();
    }

    void reload(Configuration configuration);

    [[nodiscard]] Started rescue();
    [[nodiscard]] Started open_store();
    [[nodiscard]] Started open_sockets();
    [[nodiscard]] Started read_tenant_tokens();
    [[nodiscard]] Started begin();

private:
    void show_life();
    [[nodiscard]] bool accept(Message&& message);
    [[nodiscard]] bool note_link(LinkChange change);
    void found_damage(const std::string& found);
    [[nodiscard]] std::filesystem::path ledger_file() const {
        return configuration_->store.directory / ledger_name;
    }

    /// As read at the start. Settings that a reload cannot change are taken from here.
    const std::shared_ptr<const Configuration> configuration_;
    const CivilZone zone_;
    const std::function<void(const StartFailure&)> on_fatal_;
    SystemClock clock_;
    std::unique_ptr<Files> files_ = machine_files();
    News news_;
    OpenedStore store_;
    bool is_unchecked_ = false;
    std::unique_ptr<LogSync> log_sync_;
    std::atomic<bool> is_ready_ = false;
    std::unique_ptr<Syncer> syncer_;
    std::unique_ptr<Intake> intake_;
    std::chrono::steady_clock::time_point ledger_seen_at_{};  ///< Used on the link's thread only.
    std::chrono::steady_clock::time_point life_shown_at_{};   ///< Used on the booking thread only.
    std::unique_ptr<LogSource> source_;
    std::unique_ptr<Engine> engine_;
    std::unique_ptr<BrokerLink> link_;
    std::unique_ptr<EngineThread> engine_thread_;
    std::unique_ptr<Housekeeper> housekeeper_;
    std::vector<ListenSocket> sockets_;
    std::string token_;
    std::vector<TenantToken> tenant_tokens_;
    std::unique_ptr<Answers> answers_;
    std::unique_ptr<HttpServer> server_;
};

/// Runs before the ledger is opened, and recreates it if it is damaged.
Started Daemon::Parts::rescue() {
    const auto unusable = [](const Error& error) {
        return start_failure(exit_status::store_unusable, error.text);
    };
    if (const auto made = files_->make_directory(configuration_->store.directory); !made)
        return unusable(made.error());
    if (auto cut_short = redating_cut_short(configuration_->store.directory))
        return start_failure(exit_status::store_unusable, *std::move(cut_short));
    // No other process may be writing the ledger. Opening it takes the lock again and keeps it.
    const auto lock = WriterLock::take(ledger_file());
    if (!lock) {
        return start_failure(
            lock.error().held_by_another ? exit_status::store_held : exit_status::store_unusable,
            lock.error().text);
    }
    const auto rescued =
        rescue_ledger(ledger_file(), Backups(configuration_->store.backups()), clock_.wall(), check_longest);
    if (!rescued) return unusable(rescued.error());
    if (!rescued->told.empty()) journal(Level::error, rescued->told);
    is_unchecked_ = rescued->is_unchecked;
    return {};
}

Started Daemon::Parts::open_store() {
    const StoreSettings& settings = configuration_->store;
    auto opened =
        tickledger::open_store(*files_, settings.directory, configuration_->meters,
                               static_cast<std::size_t>(configuration_->max_meters), zone_, release_time, {},
                               settings.has_index_in_memory ? WalIndex::memory : WalIndex::file);
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
    if (store_.damaged_lines > 0) {
        journal(
            Level::warning,
            std::to_string(store_.damaged_lines) +
                " lines of the message log could not be read, or are stamped another day than their file's, "
                "and were passed over. Look whether the disk is sound, or who writes there.");
    }
    for (const std::string& file : store_.put_aside) {
        journal(Level::error,
                "A file of the message log bore the name of a day that cannot be. It was put aside as " +
                    file + ". Look who put it there; if messages are in it, replay them.");
    }
    const auto tell = [](Level level, const std::string& text) { journal(level, text); };
    log_sync_ = std::make_unique<LogSync>(*store_.log, settings.sync_every, tell);
    syncer_ = std::make_unique<Syncer>(*log_sync_);
    intake_ = std::make_unique<Intake>(Intake::Parts{
        .log = store_.log.get(),
        .clock = &clock_,
        .meters = {configuration_, &configuration_->meters},
        .clock_floor = store_.clock_floor,
        .clock_reach = store_.clock_reach,
        .has_undated = store_.has_undated,
        .on_appended = [this] { return syncer_->appended(); },
        .tell = tell,
    });
    intake_->count_accepted(store_.bookkeeper->counts().booked + store_.pending_messages);
    source_ = std::make_unique<LogSource>(*files_, settings.directory / messages_name, *store_.log,
                                          store_.booked_to);
    engine_ = std::make_unique<Engine>(
        *store_.ledger, *store_.bookkeeper, *source_, store_.booked_to,
        EngineSettings{.pack_after = settings.pack_after,
                       .retention = Retention{settings.keep_messages, settings.keep_readings}},
        tell);
    return {};
}

Started Daemon::Parts::open_sockets() {
    auto local = ListenSocket::on_path(configuration_->socket.path, configuration_->socket.mode,
                                       configuration_->socket.group);
    if (!local) return start_failure(exit_status::no_socket, local.error().text);
    sockets_.push_back(std::move(*local));
    if (configuration_->socket.http.empty()) return {};
    auto reach = ListenSocket::Reach::loopback;
    if (!configuration_->socket.token_file.empty()) {
        auto token = read_token(configuration_->socket.token_file);
        if (!token) return start_failure(exit_status::configuration, token.error().text);
        token_ = std::move(*token);
        reach = ListenSocket::Reach::everyone;
    }
    if (auto read = read_tenant_tokens(); !read) return read;
    auto tcp = ListenSocket::on_tcp(configuration_->socket.http, reach);
    if (!tcp) return start_failure(exit_status::no_socket, tcp.error().text);
    sockets_.push_back(std::move(*tcp));
    return {};
}

/// Each token must identify one tenant.
Started Daemon::Parts::read_tenant_tokens() {
    for (const TenantSettings& tenant : configuration_->tenants) {
        auto token = read_token(tenant.token_file, "tenant.token_file");
        if (!token) return start_failure(exit_status::configuration, token.error().text);
        const auto same = std::ranges::find(tenant_tokens_, *token, &TenantToken::token);
        if (*token == token_ || same != tenant_tokens_.end()) {
            return start_failure(
                exit_status::configuration,
                fmt::format("tenant \"{}\" has the same token as {}. Give each a different token.",
                            tenant.name,
                            *token == token_ ? "[socket] token_file" : "tenant \"" + same->tenant + "\""));
        }
        tenant_tokens_.push_back({tenant.name, *std::move(token)});
    }
    return {};
}

/// Starts the end of the flow first: a part must exist before others call it on their threads.
Started Daemon::Parts::begin() {
    housekeeper_ = std::make_unique<Housekeeper>(
        Housekeeper::Parts{.store = configuration_->store,
                           .ledger = ledger_file(),
                           .is_unchecked = is_unchecked_,
                           .is_in_place = [this] { return store_.ledger->is_in_place(); },
                           .now = [this] { return intake_->known_time(); },
                           .on_damage = [this](const std::string& found) { found_damage(found); }});
    store_.bookkeeper->tell_to(&news_);
    engine_thread_ = std::make_unique<EngineThread>(EngineThread::Parts{
        .engine = engine_.get(),
        .bookkeeper = store_.bookkeeper.get(),
        .intake = intake_.get(),
        .topic_root = configuration_->broker.topic_root,
        .commit_every = configuration_->store.commit_every,
        .on_step = [this] { show_life(); },
        .on_standstill = [this] { housekeeper_->suspect(); },
    });
    engine_thread_->catch_up();

    auto link =
        BrokerLink::start(configuration_->broker, topic_filters(*configuration_),
                          {.on_message = [this](Message&& message) { return accept(std::move(message)); },
                           .on_link = [this](LinkChange change) { return note_link(change); },
                           .on_published = [this](std::int64_t id) { engine_->publisher().acknowledged(id); },
                           .on_room = [this] { engine_thread_->wake_for_sending(); },
                           .on_trouble = [](const std::string& line) { journal(Level::warning, line); }});
    if (!link) return start_failure(exit_status::configuration, link.error().text);
    link_ = std::move(*link);
    engine_thread_->use_link(link_.get());

    answers_ = std::make_unique<Answers>(Answers::Parts{.store = configuration_->store,
                                                        .ledger_file = ledger_file(),
                                                        .zone = zone_,
                                                        .clock = clock_,
                                                        .link = *link_,
                                                        .intake = *intake_,
                                                        .ledger = *store_.ledger,
                                                        .log = *store_.log,
                                                        .publisher = engine_->publisher(),
                                                        .engine_thread = *engine_thread_,
                                                        .housekeeper = *housekeeper_,
                                                        .news = news_});
    answers_->use(configuration_);
    server_ = HttpServer::start(
        std::move(sockets_), HttpLimits::within(descriptors_allowed()),
        [this](const Request& request) { return answers_->answer(request); },
        [](const std::string& line) { journal(Level::warning, line); }, token_, tenant_tokens_,
        [this](std::function<void()> then) { engine_thread_->when_caught_up(std::move(then)); });
    news_.wake_with([this] { server_->wake(); });
    is_ready_ = true;
    sd_notify(0, "READY=1\nSTATUS=Booking.");
    journal_answer(Level::notice, start_line(*configuration_));
    return {};
}

/// A start may take as long as it needs while it makes progress, and each step is progress. Later, under
/// load, there are hundreds of steps a second, and the service manager would wake up for each of them.
void Daemon::Parts::show_life() {
    const auto now = std::chrono::steady_clock::now();
    if (is_ready_ && now - life_shown_at_ < between_signs_of_life) return;
    life_shown_at_ = now;
    sd_notify(0, is_ready_ ? "WATCHDOG=1" : "WATCHDOG=1\nEXTEND_TIMEOUT_USEC=90000000");
}

bool Daemon::Parts::accept(Message&& message) {
    // No message is acknowledged while the ledger it is to be booked into has lost its file name. The booking
    // thread first writes the ledger again.
    if (const auto now = std::chrono::steady_clock::now(); now - ledger_seen_at_ >= between_lookups) {
        if (!store_.ledger->is_in_place()) {
            engine_thread_->wake_for_sending();
            return false;
        }
        ledger_seen_at_ = now;
    }
    if (!intake_->accept(std::move(message))) return false;
    engine_thread_->wake();
    return true;
}

bool Daemon::Parts::note_link(LinkChange change) {
    if (!change.up) engine_->publisher().link_went_down();
    if (!intake_->accept(change)) return false;
    engine_thread_->wake();
    if (change.up) engine_thread_->wake_for_sending();
    return true;
}

void Daemon::Parts::found_damage(const std::string& found) {
    const auto noted = note_damage(ledger_file(), found);
    on_fatal_({exit_status::store_unusable,
               found + (noted ? "" : " " + noted.error().text) + " The daemon stops now."});
}

void Daemon::Parts::reload(Configuration configuration) {
    const auto now_us = std::chrono::duration_cast<std::chrono::microseconds>(clock_.since_boot()).count();
    sd_notifyf(0, "RELOADING=1\nMONOTONIC_USEC=%lld", static_cast<long long>(now_us));
    std::string later;
    const auto keep = [&](const char* name, auto Configuration::*part) {
        if (configuration.*part == (*configuration_).*part) return;
        configuration.*part = (*configuration_).*part;
        later += fmt::format("{}{}", later.empty() ? "" : ", ", name);
    };
    keep("[site] timezone", &Configuration::timezone);
    keep("[broker]", &Configuration::broker);
    keep("[store]", &Configuration::store);
    keep("[socket]", &Configuration::socket);
    keep("[[tenant]]", &Configuration::tenants);

    const auto fresh = std::make_shared<const Configuration>(std::move(configuration));
    // No message of a new topic may arrive before its meter is known.
    engine_thread_->use(fresh);
    intake_->use({fresh, &fresh->meters});
    answers_->use(fresh);
    link_->subscribe_to(topic_filters(*fresh));
    journal_answer(Level::notice, "The configuration was reloaded. Meters, alarms and prices follow it.");
    if (!later.empty()) {
        journal_answer(
            Level::warning,
            later + " changed too. That takes effect at the next start: systemctl restart tickledgerd");
    }
    sd_notify(0, "READY=1");
}

Daemon::Daemon(std::unique_ptr<Parts> parts) : parts_(std::move(parts)) {}

Daemon::~Daemon() = default;

void Daemon::reload(Configuration configuration) {
    parts_->reload(std::move(configuration));
}

tl::expected<std::unique_ptr<Daemon>, StartFailure> Daemon::start(
    Configuration configuration, std::function<void(const StartFailure&)> on_fatal) {
    const auto zone = CivilZone::find(configuration.timezone);
    if (!zone) return start_failure(exit_status::configuration, zone.error().text);
    auto parts = std::make_unique<Parts>(std::move(configuration), *zone, std::move(on_fatal));
    for (const auto step : {&Parts::rescue, &Parts::open_store, &Parts::open_sockets, &Parts::begin}) {
        if (const auto done = ((*parts).*step)(); !done) return tl::unexpected(done.error());
    }
    return std::unique_ptr<Daemon>(new Daemon(std::move(parts)));
}

}  // namespace tickledger
