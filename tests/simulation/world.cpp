#include "simulation/world.hpp"

#include <algorithm>

#include "simulation/audit.hpp"

namespace tickledger::simulation {

namespace {

using std::chrono::milliseconds;
using std::chrono::minutes;
using std::chrono::seconds;

constexpr Duration between_deliveries = milliseconds{1};
/// Longer than half a cadence, for which a first reading after a silence is held, and than any backlog.
Duration last_wait_of(const Plan& plan) {
    Duration longest = minutes{10};
    for (const PlannedNode& node : plan.nodes)
        longest = std::max(longest, node.settings.cadence);
    return longest;
}

CivilZone zone_named(const std::string& name) {
    return std::move(CivilZone::find(name).value());
}

}  // namespace

World::World(std::uint64_t seed, Plan plan)
    : seed_(seed),
      plan_(std::move(plan)),
      chance_(Chance::seed_of(seed, 1'000)),
      machine_(Chance::seed_of(seed, 1'001)),
      broker_(plan_.broker, Chance::seed_of(seed, 1'002)),
      settings_{plan_.meters, zone_named(plan_.zone)},
      people_(plan_, settings_.zone) {
    report_.seed = seed;
    if (plan_.keeps_readings) settings_.retention.readings = *plan_.keeps_readings;
    if (plan_.keeps_messages) settings_.retention.messages = *plan_.keeps_messages;
    clock_.true_time = clock_.machine_started_at = plan_.span.from;
}

World::~World() {
    // The destructor of the daemon need not write anything any more.
    if (!machine_.is_down()) machine_.strike(Blow::kill);
}

void World::fail_with(std::string what) {
    if (!report_.failure) report_.failure = std::move(what);
}

/// Runs the nodes first: what they send does not depend on what happens to their messages.
void World::send_messages() {
    for (std::uint32_t index = 0; index < plan_.nodes.size(); ++index) {
        PlannedNode& planned = plan_.nodes[index];
        Node node(planned.settings, plan_.span.from);
        std::vector<Delivery> unheard;
        const auto add = [&](std::vector<Delivery> said, std::vector<Sent>& to) {
            for (Delivery& delivery : said) {
                const auto presets =
                    std::count_if(planned.story.presets.begin(), planned.story.presets.end(),
                                  [&](const Preset& preset) { return preset.at <= delivery.sent_at; });
                to.push_back({index, std::move(delivery), static_cast<std::uint32_t>(presets)});
            }
        };
        add(simulation::run(node, planned.ticks, planned.story, plan_.span, &unheard), sent_);
        add(std::move(unheard), unheard_);
    }
    arrivals_.resize(sent_.size());
    for (std::uint32_t i = 0; i < sent_.size(); ++i)
        arrivals_[i] = i;
    std::stable_sort(arrivals_.begin(), arrivals_.end(), [&](std::uint32_t a, std::uint32_t b) {
        return sent_[a].delivery.message.arrived_at < sent_[b].delivery.message.arrived_at;
    });
    report_.sent = sent_.size();
}

WorldReport World::run() {
    send_messages();
    start_daemon();
    step_until(plan_.span.to + minutes{1});
    heal_all();
    step_until(clock_.true_time + last_wait_of(plan_));
    settle();
    if (!report_.failure) {
        const Instant until = daemon_->log().horizon(clock_.wall()).until;
        daemon_.reset();
        keep_house();
        Audit audit(plan_, settings_, machine_, {sent_, unheard_, lines_}, report_);
        audit.check_books();
        if (audit.books()) {
            report_.fingerprint = fingerprint_of(*audit.books());
            report_.told = audit.books()->told();
        }
        for (const auto& [topic, published] : published_on_)
            report_.told.push_back("published " + std::to_string(published.count) + " on " + topic + ": " +
                                   std::to_string(published.fingerprint));
        report_.was_rebuilt = !knows_more_than_log_ && !plan_.keeps_messages;
        if (report_.was_rebuilt) audit.check_rebuilding(until);
        audit.check_repeats(clock_, chance_);
        if (const auto& wrong = audit.failure()) fail_with(*wrong);
    }
    return report_;
}

std::pair<Instant, World::Next> World::next() const {
    std::pair<Instant, Next> first{Instant::max(), Next::nothing};
    const auto consider = [&](const std::optional<Instant>& at, Next what) {
        if (at && *at < first.first) first = {*at, what};
    };
    consider(disk_heals_at_, Next::disk_heals);
    consider(broker_up_at_, Next::broker_up);
    consider(restart_at_, Next::restart);
    consider(connect_at_, Next::connect);
    consider(deliver_at_, Next::delivery);
    if (next_trouble_ < plan_.troubles.size()) consider(plan_.troubles[next_trouble_].at, Next::trouble);
    if (next_word_ < plan_.words.size()) consider(plan_.words[next_word_].at, Next::word);
    if (arrived_ < arrivals_.size())
        consider(sent_[arrivals_[arrived_]].delivery.message.arrived_at, Next::message);
    consider(sync_at_, Next::sync);
    consider(pass_at_, Next::pass);
    return first;
}

void World::step_until(Instant end) {
    while (!report_.failure) {
        const auto [at, what] = next();
        if (what == Next::nothing || at > end) break;
        clock_.true_time = std::max(clock_.true_time, at);
        happen(what);
        note_if_down();
    }
    clock_.true_time = std::max(clock_.true_time, end);
}

void World::happen(Next what) {
    switch (what) {
        case Next::message:
            publish_to_broker();
            break;
        case Next::delivery:
            deliver();
            break;
        case Next::pass:
            pass();
            break;
        case Next::sync:
            sync();
            break;
        case Next::trouble:
            strike(plan_.troubles[next_trouble_++]);
            break;
        case Next::word:
            say(plan_.words[next_word_++]);
            break;
        case Next::restart:
            start_daemon();
            break;
        case Next::connect:
            connect();
            break;
        case Next::broker_up:
            broker_up_at_.reset();
            broker_.start();
            for (const std::uint32_t sent : std::exchange(waiting_nodes_messages_, {})) {
                broker_.publish(sent, sent_[sent].node, plan_.nodes[sent_[sent].node].retains);
            }
            break;
        case Next::disk_heals:
            disk_heals_at_.reset();
            machine_.set_free_without_end();
            machine_.vfs().fail_writes(0);
            machine_.vfs().fail_syncs(0);
            break;
        case Next::nothing:
            break;
    }
}

void World::publish_to_broker() {
    const std::uint32_t sent = arrivals_[arrived_++];
    const PlannedNode& node = plan_.nodes[sent_[sent].node];
    if (!broker_.is_up()) {
        if (node.waits_for_broker) waiting_nodes_messages_.push_back(sent);
        return;
    }
    broker_.publish(sent, sent_[sent].node, node.retains);
    if (broker_.is_connected() && !deliver_at_) deliver_at_ = clock_.true_time;
}

/// One message goes from the broker into the log and is acknowledged.
void World::deliver() {
    deliver_at_.reset();
    if (!daemon_) return;
    const auto letter = broker_.next();
    if (!letter) return;
    Message message = sent_[letter->letter].delivery.message;
    message.redelivered = letter->redelivered;
    message.retained = letter->retained;
    if (!daemon_->accept(std::move(message))) {
        // The connection is closed without an acknowledgement, and opened again later.
        if (!machine_.is_down()) lose_link(0, reconnect_wait);
        return;
    }
    remember(letter->letter, letter->retained);
    broker_.acknowledge();
    if (!broker_.is_empty()) deliver_at_ = clock_.true_time + between_deliveries;
    if (plan_.sync_every == Duration{0}) sync();
}

void World::remember(std::uint32_t sent, bool retained) {
    LogPosition end = daemon_->log().end();
    if (files_.empty() || files_.back() != end.file) files_.push_back(std::move(end.file));
    lines_.push_back({sent, static_cast<std::uint32_t>(files_.size() - 1), end.offset_bytes, retained});
    if (sent != Line::no_message) ++report_.logged;
    if (!pass_at_ || *pass_at_ > clock_.true_time + plan_.commit_every)
        pass_at_ = clock_.true_time + plan_.commit_every;
    if (!sync_at_ && plan_.sync_every > Duration{0}) sync_at_ = clock_.true_time + plan_.sync_every;
}

void World::pass() {
    pass_at_ = clock_.true_time + plan_.looks_every;
    if (!daemon_) return;
    if (!clock_.is_set && chance_.happens(0.2)) clock_.is_set = true;
    if (daemon_->book_all() == Engine::Step::failed) pass_at_ = clock_.true_time + seconds{10};
    if (machine_.is_down() || !broker_.is_connected()) return;
    daemon_->publish([&](const Outgoing& outgoing) {
        people_.note_published(outgoing);
        check_publication(outgoing);
        note_publication(outgoing);
    });
}

/// A person gives an instruction. If the daemon is not running, nobody receives it.
void World::say(const PlannedWord& planned) {
    if (!daemon_) return;
    auto instruction = people_.say(planned);
    if (!instruction || !daemon_->instruct(std::move(*instruction))) return;
    ++report_.words;
    remember(Line::no_message);
}

/// No row is published twice with different content under the same revision.
void World::check_publication(const Outgoing& outgoing) {
    if (seed_ % 4 != 0 || !outgoing.topic.ends_with("/usage")) return;
    const auto part = [&](std::string_view name) {
        const auto from = outgoing.payload.find(name);
        return outgoing.payload.substr(from, outgoing.payload.find(',', from) - from);
    };
    const std::string key = outgoing.topic + part("\"from\"") + part("\"revision\"");
    const std::uint64_t content = fingerprint(outgoing.payload);
    const auto [found, is_new] = published_.try_emplace(key, content);
    if (!is_new && found->second != content && !knows_more_than_log_ && report_.lost_lines == 0) {
        fail_with("published twice with other content: " + outgoing.topic + " " + outgoing.payload);
    }
}

void World::note_publication(const Outgoing& outgoing) {
    Published& so_far = published_on_[outgoing.topic];
    ++so_far.count;
    so_far.fingerprint = fingerprint(std::to_string(so_far.fingerprint) + outgoing.payload);
}

void World::sync() {
    sync_at_.reset();
    if (daemon_ && !daemon_->sync()) sync_at_ = clock_.true_time + seconds{1};
}

/// All messages are delivered; now books all of them.
void World::settle() {
    if (report_.failure) return;
    if (!daemon_ || !broker_.is_connected() || !broker_.is_empty()) {
        fail_with("the world does not come to rest");
        return;
    }
    // If the clock was set back, or was ahead because of a node's false time, the stamps do not advance until
    // it has caught up. Until then no backlog is seen to end.
    clock_.error = Duration{0};
    if (const auto stamp = daemon_->log().last_stamp())
        clock_.true_time = std::max(clock_.true_time, *stamp + last_wait_of(plan_));
    if (daemon_->book_all() != Engine::Step::done)
        fail_with("the last pass fails: " + daemon_->engine().trouble());
    if (daemon_->engine().booked_to() != daemon_->log().end()) {
        fail_with("not every accepted message is booked: " + daemon_->engine().booked_to().words() + " of " +
                  daemon_->log().end().words() +
                  "; undated: " + std::to_string(daemon_->engine().undated_count()));
    }
    if (!daemon_->sync()) fail_with("the last sync fails");
}

/// A daemon removes old data when it starts. Starting one here leaves none for the audit's daemon to remove.
void World::keep_house() {
    if (!plan_.keeps_readings && !plan_.keeps_messages) return;
    auto daemon = SimDaemon::start(machine_, settings_, clock_);
    if (!daemon) return fail_with(daemon.error().text);
    if ((*daemon)->book_all() != Engine::Step::done) fail_with("the last housekeeping fails");
}

std::uint64_t World::fingerprint_of(const Books& books) const {
    std::string all = books.all_rows();
    for (const Sent& sent : sent_) {
        all += sent.delivery.message.payload;
        all += std::to_string(microseconds_of(sent.delivery.message.arrived_at)) + ' ';
    }
    for (const Line& line : lines_)
        all += std::to_string(line.sent) + ':' + std::to_string(line.end_bytes) + ' ';
    return fingerprint(all);
}

WorldReport run_world(std::uint64_t seed, std::size_t messages) {
    return World(seed, plan_world(seed, messages)).run();
}

}  // namespace tickledger::simulation
