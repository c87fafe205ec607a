#include "service/answers.hpp"

#include <algorithm>
#include <map>
#include <unordered_map>

#include "serve/tenants.hpp"
#include "service/version.hpp"

namespace tickledger {

/// What answers under one reading of the configuration. An answer in progress keeps its generation until it
/// is sent.
struct Answers::Generation {
    std::shared_ptr<const Configuration> configuration;
    std::unique_ptr<Api> api;
    /// By the tenants' names; each shows only that tenant's meters.
    std::map<std::string, std::unique_ptr<Api>> tenants;
    /// Settings found for resolved ids. Used on the API's thread only.
    std::unordered_map<std::string, const MeterSettings*> resolved;

    [[nodiscard]] const MeterSettings* settings_of(const std::string& id) {
        auto [found, is_new] = resolved.try_emplace(id);
        if (is_new) found->second = settings_for(configuration->meters, id);
        return found->second;
    }
};

Answers::Answers(Parts parts)
    : parts_(std::move(parts)),
      is_in_place_([this] { return parts_.ledger.is_in_place(); }),
      meters_look_(parts_.ledger_file, is_in_place_, parts_.zone) {}

Answers::~Answers() = default;

void Answers::use(std::shared_ptr<const Configuration> configuration) {
    auto generation = std::make_shared<Generation>();
    generation->configuration = std::move(configuration);
    generation->api = std::make_unique<Api>(api_parts(*generation));
    for (const TenantSettings& tenant : generation->configuration->tenants) {
        auto own =
            std::make_shared<const Configuration>(configuration_for(*generation->configuration, tenant));
        generation->tenants[tenant.name] =
            std::make_unique<Api>(parts_for(api_parts(*generation), tenant, std::move(own)));
    }
    const std::lock_guard lock(generation_mutex_);
    generation_ = std::move(generation);
}

Response Answers::answer(const Request& request) {
    std::shared_ptr<Generation> generation;
    {
        const std::lock_guard lock(generation_mutex_);
        generation = generation_;
    }
    const Api* api = generation->api.get();
    if (!request.tenant.empty()) {
        const auto tenant = generation->tenants.find(request.tenant);
        if (tenant == generation->tenants.end())
            return problem(403, "This token no longer belongs to any tenant.");
        api = tenant->second.get();
    }
    Response response = api->handle(request);
    // An answer sent in parts goes on using its generation.
    const auto keeping = [&](auto& producer) {
        if (producer)
            producer = [generation, inner = std::move(producer)](std::string& part) { return inner(part); };
    };
    keeping(response.chunks);
    keeping(response.news);
    return response;
}

HealthFacts Answers::health(Generation& generation) {
    HealthFacts facts;
    facts.version = version;
    facts.has_meters = !generation.configuration->meters.empty();
    const LinkState link = parts_.link.state();
    facts.broker_connected = link.connected;
    facts.broker_subscribed = link.subscribed;
    facts.broker_trouble = link.trouble;
    const BookingState booking = parts_.engine_thread.state();
    facts.store_error = booking.trouble;
    facts.store = look_at_store(parts_.store, parts_.housekeeper.state(), parts_.clock.wall());
    for (std::string& notice : std::vector{parts_.ledger.notice(), parts_.log.notice()})
        if (!notice.empty()) facts.store.written_anew.push_back(std::move(notice));
    facts.turned_away = booking.turned_away;
    if (booking.unmatched && parts_.clock.wall() - booking.unmatched->arrived_at < std::chrono::hours{1}) {
        facts.unmatched_topic = booking.unmatched->topic;
        facts.unmatched_at = booking.unmatched->arrived_at;
    }
    facts.max_meters = generation.configuration->max_meters;
    facts.messages_accepted = parts_.intake.accepted();
    facts.messages_booked = booking.counts.booked;
    facts.messages_unreadable = booking.counts.unreadable;
    facts.messages_stray = booking.counts.stray;
    facts.messages_undated = booking.undated;
    Duration listened{0};
    if (link.subscribed_since)
        listened = std::chrono::floor<Duration>(std::chrono::steady_clock::now() - *link.subscribed_since);
    facts.meters = meters_look_.look([&](const std::string& id) { return generation.settings_of(id); },
                                     parts_.clock.wall(), listened);
    facts.publications_arrived = static_cast<std::int64_t>(parts_.publisher.acknowledged_so_far().size());
    const ClockState clock = clock_state();
    facts.stamps_held_at = clock.stamps_at;
    facts.clock_ahead = clock.disbelieved_ahead;
    facts.is_time_known = clock.known.has_value();
    return facts;
}

ClockState Answers::clock_state() {
    ClockState state;
    state.server = parts_.clock.wall();
    state.known = parts_.intake.known_time();
    state.disbelieved_ahead = parts_.intake.disbelieved_ahead();
    const auto stamp = parts_.log.last_stamp();
    if (stamp && state.known && *state.known + std::chrono::seconds{2} < *stamp) state.stamps_at = stamp;
    return state;
}

ApiParts Answers::api_parts(Generation& generation) {
    return {.configuration = generation.configuration.get(),
            .zone = parts_.zone,
            .open_view = [this] { return LedgerView::open(parts_.ledger_file, is_in_place_); },
            .settings_for = [&generation](const std::string& id) { return generation.settings_of(id); },
            .summarise =
                [this](const MeterRecord& record, const MeterSettings& settings) {
                    return summarise(record, settings, parts_.zone);
                },
            .health = [this, &generation] { return health(generation); },
            .catch_up = [this] { parts_.engine_thread.catch_up(); },
            .instruct =
                [this](std::string document) {
                    auto kept = parts_.intake.accept_instruction(std::move(document));
                    if (kept) parts_.engine_thread.wake();
                    return kept;
                },
            .now = [this] { return parts_.clock.wall(); },
            .clock = [this] { return clock_state(); },
            .clock_is_right =
                [this] {
                    auto done = parts_.intake.clock_is_right();
                    if (done) parts_.engine_thread.wake();
                    return done;
                },
            .news = &parts_.news};
}

}  // namespace tickledger
