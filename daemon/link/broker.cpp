// This file is long, so that the worker and the client library's threads, which share one lock and one state,
// can be read side by side.
#include "link/broker.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <condition_variable>
#include <iterator>
#include <limits>
#include <map>
#include <mutex>
#include <set>
#include <thread>
#include <unordered_map>

#include "link/back_off.hpp"
#include "link/connection.hpp"
#include "link/credentials.hpp"
#include "link/diagnosis.hpp"
#include "link/gate.hpp"

namespace tickledger {
namespace {

using SteadyClock = std::chrono::steady_clock;

/// How many publications may wait for their acknowledgement at once.
constexpr std::size_t window = 100;
/// After a link that broke sooner than this, the waits between attempts keep growing.
constexpr std::chrono::seconds settled_after{10};
/// The client library gives up a connection after 10 s, but looks only every 3 s.
constexpr std::chrono::seconds settle_limit{20};
constexpr std::chrono::seconds subscribe_again_after{60};
/// How long after a huge message the link is renewed: its acknowledgement has been sent by then, and a flood
/// of such messages cannot hold the link down.
constexpr std::chrono::seconds renewed_after{10};
// Longer than a broker takes, shorter than a person waits.
constexpr std::chrono::seconds acknowledged_within{10};
constexpr std::size_t mebibyte_bytes = std::size_t{1} << 20U;
/// Ids for our own status publications. The outbox counts upwards from one, so they cannot collide.
constexpr std::int64_t status_up_id = std::numeric_limits<std::int64_t>::min();
constexpr std::int64_t status_down_id = status_up_id + 1;

constexpr const char* payload_up = R"({"state":"up"})";
constexpr const char* payload_down = R"({"state":"down"})";

constexpr const char* log_is_stuck =
    "the message log cannot be written, so the link to the broker stays down; free "
    "space on the disk of store.directory";

Instant wall_time() {
    return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
}

/// Several meters may share a filter; each filter is subscribed to once.
std::vector<std::string> without_repeats(std::vector<std::string> filters) {
    std::sort(filters.begin(), filters.end());
    filters.erase(std::unique(filters.begin(), filters.end()), filters.end());
    return filters;
}

}  // namespace

/// One worker thread opens connections, one after the other, and is the only thread that calls them. So no
/// other caller ever waits for the client library. The library's events arrive on its own threads and only
/// change the state below `mutex_`, which is never held while the library or a callback is called.
class BrokerLink::Worker final : private ConnectionOwner {
public:
    Worker(ConnectionSettings settings, std::vector<std::string> filters, Callbacks callbacks)
        : settings_(std::move(settings)), callbacks_(std::move(callbacks)), filters_(std::move(filters)) {
        worker_ = std::thread([this] { work(); });
    }
    ~Worker() override {
        stop(Duration::zero());
        worker_.join();
    }

    [[nodiscard]] bool publish(const Publication& publication);
    void subscribe_to(std::vector<std::string> topic_filters);
    [[nodiscard]] LinkState state() const {
        const std::lock_guard lock(mutex_);
        return state_;
    }
    void stop(Duration wait);

private:
    using Lock = std::unique_lock<std::mutex>;

    // Worker thread. Functions that take a lock hold it on entry and return, and release it in between.
    void work();
    [[nodiscard]] std::string hold_connection();
    void wait_for_answer(Lock& lock);
    void serve(Lock& lock, Connection& connection);
    void subscribe(Lock& lock, Connection& connection);
    void unsubscribe(Lock& lock, Connection& connection);
    void ask_again_later(Lock& lock, const std::string& trouble);
    void send(Lock& lock, Connection& connection);
    void send_again();
    void wait_for_work(Lock& lock);
    void say_farewell(Lock& lock, Connection& connection);
    void leave_to_renew(Lock& lock, Connection& connection);
    [[nodiscard]] std::string why_ended();
    [[nodiscard]] bool tell_down();
    void pause(const std::string& reason);
    void tell_trouble(const std::string& sentence);
    [[nodiscard]] bool is_stopping() const {
        const std::lock_guard lock(mutex_);
        return stopping_;
    }

    // ConnectionOwner, called on the client library's threads.
    [[nodiscard]] bool connected(bool session_present) override;
    void failed(int code) override;
    void lost() override { end(); }
    void disconnected() override { end(); }
    void subscribed(const std::vector<Grant>& grants) override;
    [[nodiscard]] bool arrived(Message&& message) override;
    void swelled(std::size_t bytes) override;
    void published(std::int64_t id) override;

    void end();
    /// Notes what the answers so far mean: whether every filter is granted, and what is wrong. The lock must
    /// be held.
    void judge_answers();
    [[nodiscard]] bool is_wanted(const std::string& filter) const {
        return std::ranges::binary_search(filters_, filter);
    }

    const ConnectionSettings settings_;
    const Callbacks callbacks_;
    Gate gate_;

    mutable std::mutex mutex_;
    std::condition_variable changed_;
    LinkState state_;
    std::vector<std::string> filters_;   ///< Sorted.
    std::vector<std::string> unwanted_;  ///< Filters still to be unsubscribed from.
    bool stopping_ = false;
    bool finished_ = false;
    SteadyClock::time_point stop_deadline_{};
    /// on_link(up) was called and on_link(down) was not yet.
    bool owes_down_ = false;

    /// State of the present connection only.
    struct Present {
        bool ended = false;
        /// Size of a message so large that the link is renewed to free its memory; 0: there was none.
        std::size_t swelled_bytes = 0;
        SteadyClock::time_point renew_at{};
        bool refused = false;  ///< A callback returned false, so the connection is cut.
        int failure_code = -1;
        std::optional<SteadyClock::time_point> connected_at;
        /// Filters that the broker must be asked for. One that is neither here nor answered is in flight.
        std::set<std::string> to_subscribe;
        /// The broker's last answer for each filter, as in Grant.
        std::map<std::string, int> answers;
        /// When to subscribe to `to_subscribe` and to unsubscribe from `unwanted_`.
        SteadyClock::time_point ask_at{};
        std::vector<Publication> to_send;
        struct Handed {
            Publication publication;
            SteadyClock::time_point at{};
        };
        std::unordered_map<std::int64_t, Handed> unacknowledged;
        bool owes_room = false;  ///< publish() has refused, and on_room was not called since.
    };
    Present present_;

    // For the worker thread only.
    BackOff back_off_;
    std::string told_reason_;
    std::thread worker_;
};

// Called by others.

bool BrokerLink::Worker::publish(const Publication& publication) {
    const std::lock_guard lock(mutex_);
    if (!state_.connected || stopping_) return false;
    if (present_.unacknowledged.size() >= window) {
        present_.owes_room = true;
        return false;
    }
    const auto [place, is_new] = present_.unacknowledged.try_emplace(publication.id);
    if (!is_new) return true;  // Already handed over.
    place->second = {publication, SteadyClock::now()};
    present_.to_send.push_back(publication);
    changed_.notify_all();
    return true;
}

void BrokerLink::Worker::subscribe_to(std::vector<std::string> topic_filters) {
    const auto wanted = without_repeats(std::move(topic_filters));
    const auto added_to = [](const auto& before, const auto& after, auto& those) {
        std::set_difference(after.begin(), after.end(), before.begin(), before.end(),
                            std::back_inserter(those));
    };
    const std::lock_guard lock(mutex_);
    std::vector<std::string> fresh;
    added_to(filters_, wanted, fresh);
    added_to(wanted, filters_, unwanted_);
    filters_ = wanted;
    std::erase_if(unwanted_, [&](const auto& filter) { return is_wanted(filter); });
    std::erase_if(present_.to_subscribe, [&](const auto& filter) { return !is_wanted(filter); });
    std::erase_if(present_.answers, [&](const auto& answer) { return !is_wanted(answer.first); });
    if (state_.connected) {
        present_.to_subscribe.insert(fresh.begin(), fresh.end());
        present_.ask_at = SteadyClock::now();
        judge_answers();
    }
    changed_.notify_all();
}

void BrokerLink::Worker::stop(Duration wait) {
    const auto deadline = SteadyClock::now() + wait;
    {
        Lock lock(mutex_);
        if (!stopping_) stop_deadline_ = deadline;
        stopping_ = true;
        changed_.notify_all();
        changed_.wait_until(lock, deadline, [this] { return finished_; });
    }
    gate_.close(deadline);
}

// The worker.

void BrokerLink::Worker::work() {
    while (!is_stopping()) {
        std::string reason;
        // The log must hold the end of one link before the next begins. While the log cannot be written there
        // is no use in fetching messages; the broker keeps them for us.
        if (tell_down()) reason = hold_connection();
        if (!tell_down()) reason = log_is_stuck;
        if (!is_stopping()) pause(reason);
    }
    const std::lock_guard lock(mutex_);
    finished_ = true;
    changed_.notify_all();
}

/// Opens a connection, serves it until it ends, and returns why it ended.
std::string BrokerLink::Worker::hold_connection() {
    {
        const std::lock_guard lock(mutex_);
        present_ = Present{};
    }
    ConnectionOwner& owner = *this;
    auto connection = std::make_unique<Connection>(settings_, owner);
    if (const auto opened = connection->open(); !opened) return opened.error().text;
    {
        Lock lock(mutex_);
        wait_for_answer(lock);
        if (present_.connected_at) serve(lock, *connection);
        if (stopping_ && state_.connected) say_farewell(lock, *connection);
        if (!stopping_ && !present_.ended && present_.swelled_bytes > 0) leave_to_renew(lock, *connection);
        // Closing may take the client library a second or two. stop() need not wait for that.
        if (stopping_) finished_ = true;
        changed_.notify_all();
    }
    connection.reset();
    end();
    return why_ended();
}

void BrokerLink::Worker::wait_for_answer(Lock& lock) {
    changed_.wait_for(lock, settle_limit,
                      [this] { return present_.connected_at || present_.ended || stopping_; });
}

void BrokerLink::Worker::serve(Lock& lock, Connection& connection) {
    while (!present_.ended && !stopping_) {
        const auto now = SteadyClock::now();
        if (present_.swelled_bytes > 0 && now >= present_.renew_at) return;
        if (!present_.to_subscribe.empty() && now >= present_.ask_at) {
            subscribe(lock, connection);
        } else if (!unwanted_.empty() && now >= present_.ask_at) {
            unsubscribe(lock, connection);
        } else if (!present_.to_send.empty()) {
            send(lock, connection);
        } else {
            wait_for_work(lock);
            send_again();
        }
    }
}

void BrokerLink::Worker::wait_for_work(Lock& lock) {
    auto until = SteadyClock::time_point::max();
    if (!unwanted_.empty() || !present_.to_subscribe.empty()) until = present_.ask_at;
    if (!present_.unacknowledged.empty()) until = std::min(until, SteadyClock::now() + acknowledged_within);
    if (present_.swelled_bytes > 0) until = std::min(until, present_.renew_at);
    if (until == SteadyClock::time_point::max()) {
        changed_.wait(lock);
    } else {
        changed_.wait_until(lock, until);
    }
}

/// Disconnects in order, so that the broker does not publish the Will: the link will be back at once.
void BrokerLink::Worker::leave_to_renew(Lock& lock, Connection& connection) {
    lock.unlock();
    const auto leaving = connection.disconnect();
    lock.lock();
    if (leaving) changed_.wait_for(lock, settle_limit, [this] { return present_.ended || stopping_; });
}

/// On a busy machine the client library fails to report about one acknowledgement in thousands. Each would
/// keep its place in the window until the connection breaks. The lock must be held.
void BrokerLink::Worker::send_again() {
    const auto now = SteadyClock::now();
    for (auto& [id, handed] : present_.unacknowledged) {
        if (id == status_down_id || now - handed.at < acknowledged_within) continue;
        handed.at = now;
        present_.to_send.push_back(handed.publication);
    }
}

/// Subscribes even if the broker kept the session: filters may be new, or may have been refused before.
void BrokerLink::Worker::subscribe(Lock& lock, Connection& connection) {
    const auto asked_for = std::exchange(present_.to_subscribe, {});
    lock.unlock();
    const auto asked = connection.subscribe({asked_for.begin(), asked_for.end()});
    lock.lock();
    if (asked) return;
    std::ranges::copy_if(asked_for, std::inserter(present_.to_subscribe, present_.to_subscribe.end()),
                         [&](const auto& filter) { return is_wanted(filter); });
    ask_again_later(lock, asked.error().text);
}

void BrokerLink::Worker::unsubscribe(Lock& lock, Connection& connection) {
    const auto filters = std::exchange(unwanted_, {});
    lock.unlock();
    const auto asked = connection.unsubscribe(filters);
    lock.lock();
    if (asked) return;
    std::ranges::copy_if(filters, std::back_inserter(unwanted_),
                         [&](const auto& filter) { return !is_wanted(filter); });
    ask_again_later(lock, asked.error().text);
}

void BrokerLink::Worker::ask_again_later(Lock& lock, const std::string& trouble) {
    present_.ask_at = SteadyClock::now() + subscribe_again_after;
    lock.unlock();
    tell_trouble(trouble);
    lock.lock();
}

void BrokerLink::Worker::send(Lock& lock, Connection& connection) {
    const auto batch = std::exchange(present_.to_send, {});
    lock.unlock();
    for (const auto& publication : batch) {
        if (const auto sent = connection.publish(publication); !sent && !is_stopping() && state().connected) {
            tell_trouble(fmt::format("{} to `{}`", sent.error().text, publication.topic));
        }
    }
    lock.lock();
}

/// The broker answers in order, so its acknowledgement of `down` also covers everything published before it.
void BrokerLink::Worker::say_farewell(Lock& lock, Connection& connection) {
    send(lock, connection);
    present_.unacknowledged.try_emplace(status_down_id);
    lock.unlock();
    const auto sent = connection.publish({status_down_id, settings_.will_topic, payload_down, true});
    lock.lock();
    const auto acknowledged = [this] { return !present_.unacknowledged.contains(status_down_id); };
    if (!sent || !changed_.wait_until(lock, stop_deadline_, acknowledged) || present_.ended) return;
    lock.unlock();
    const auto leaving = connection.disconnect();
    lock.lock();
    if (!leaving || !changed_.wait_until(lock, stop_deadline_, [this] { return present_.ended; })) return;
    lock.unlock();
    static_cast<void>(tell_down());
    lock.lock();
}

std::string BrokerLink::Worker::why_ended() {
    Present present;
    {
        const std::lock_guard lock(mutex_);
        if (stopping_) return {};
        present = present_;
    }
    const std::string& url = settings_.address.url;
    if (present.swelled_bytes > 0 && !present.refused && SteadyClock::now() >= present.renew_at) {
        back_off_.reset();
        return fmt::format(
            "a message of {} MiB arrived, so the link to the broker at {} is restarted to free its memory; "
            "find out who sends such messages, and limit the message size at the broker",
            (present.swelled_bytes + mebibyte_bytes / 2) / mebibyte_bytes, url);
    }
    if (present.refused) {
        return fmt::format(
            "a message could not be kept, so the link to the broker at {} was cut before it was "
            "acknowledged; the broker keeps it",
            url);
    }
    if (!present.connected_at) return why_failed(settings_, present.failure_code);
    if (SteadyClock::now() - *present.connected_at >= settled_after) {
        back_off_.reset();
        told_reason_.clear();
        return fmt::format("the link to the broker at {} broke", url);
    }
    return fmt::format(
        "the broker at {} closed the connection soon after it began; does another client use the "
        "client id `{}`, or is the broker restarting?",
        url, settings_.broker.client_id);
}

/// Calls on_link(down) if it is owed. True if nothing is owed any more.
bool BrokerLink::Worker::tell_down() {
    {
        const std::lock_guard lock(mutex_);
        if (!owes_down_) return true;
    }
    const LinkChange down{wall_time(), false, false};
    const bool told = gate_.through(false, [&] { return callbacks_.on_link(down); });
    const std::lock_guard lock(mutex_);
    owes_down_ = !told;
    return told;
}

void BrokerLink::Worker::pause(const std::string& reason) {
    const Duration wait = back_off_.next();
    const auto wait_s = std::max<std::int64_t>(1, std::chrono::round<std::chrono::seconds>(wait).count());
    const std::string sentence = fmt::format("{}; trying again in {} s", reason, wait_s);
    if (std::exchange(told_reason_, reason) != reason) tell_trouble(sentence);
    Lock lock(mutex_);
    state_.trouble = sentence;
    changed_.wait_for(lock, wait, [this] { return stopping_; });
}

void BrokerLink::Worker::tell_trouble(const std::string& sentence) {
    gate_.through(false, [&] {
        if (callbacks_.on_trouble) callbacks_.on_trouble(sentence);
        return true;
    });
}

// Events from the client library.

bool BrokerLink::Worker::connected(bool session_present) {
    const LinkChange up{wall_time(), true, session_present};
    const bool told = gate_.through(false, [&] { return callbacks_.on_link(up); });
    const std::lock_guard lock(mutex_);
    present_.connected_at = SteadyClock::now();
    present_.refused = !told;
    changed_.notify_all();
    if (!told) return false;
    owes_down_ = true;
    state_.connected = true;
    ++state_.connects;
    present_.to_subscribe = {filters_.begin(), filters_.end()};
    present_.ask_at = *present_.connected_at;
    judge_answers();
    return true;
}

void BrokerLink::Worker::failed(int code) {
    const std::lock_guard lock(mutex_);
    present_.failure_code = code;
    present_.ended = true;
    changed_.notify_all();
}

void BrokerLink::Worker::end() {
    const std::lock_guard lock(mutex_);
    present_.ended = true;
    present_.to_send.clear();
    present_.unacknowledged.clear();
    state_.connected = false;
    state_.subscribed = false;
    state_.subscribed_since.reset();
    changed_.notify_all();
}

void BrokerLink::Worker::judge_answers() {
    std::vector<Grant> grants;
    bool is_any_refused = false;
    for (const std::string& filter : filters_) {
        const auto answer = present_.answers.find(filter);
        if (answer == present_.answers.end()) continue;
        grants.push_back({filter, answer->second});
        if (answer->second >= grant_refused) is_any_refused = true;
    }
    state_.trouble = trouble_with(settings_, grants);
    if (is_any_refused)
        state_.trouble += fmt::format("; trying again in {} s", subscribe_again_after.count());
    const bool was_subscribed = state_.subscribed;
    state_.subscribed = grants.size() == filters_.size() && !is_any_refused;
    if (!state_.subscribed) state_.subscribed_since.reset();
    if (!state_.subscribed || was_subscribed) return;
    state_.subscribed_since = SteadyClock::now();
    const Publication up{status_up_id, settings_.will_topic, payload_up, true};
    present_.to_send.insert(present_.to_send.begin(), up);
    changed_.notify_all();
}

void BrokerLink::Worker::subscribed(const std::vector<Grant>& grants) {
    std::string news;
    {
        const std::lock_guard lock(mutex_);
        const std::string known = state_.trouble;
        for (const auto& [filter, code] : grants) {
            if (!is_wanted(filter)) continue;
            present_.answers[filter] = code;
            if (code < grant_refused) continue;
            if (present_.to_subscribe.empty()) present_.ask_at = SteadyClock::now() + subscribe_again_after;
            present_.to_subscribe.insert(filter);
        }
        judge_answers();
        if (state_.trouble != known) news = state_.trouble;
        changed_.notify_all();
    }
    if (!news.empty()) tell_trouble(news);
}

bool BrokerLink::Worker::arrived(Message&& message) {
    const bool kept = gate_.through(false, [&] { return callbacks_.on_message(std::move(message)); });
    const std::lock_guard lock(mutex_);
    if (kept) {
        ++state_.received;
    } else {
        present_.refused = true;
    }
    return kept;
}

void BrokerLink::Worker::swelled(std::size_t bytes) {
    const std::lock_guard lock(mutex_);
    if (present_.swelled_bytes == 0) present_.renew_at = SteadyClock::now() + renewed_after;
    present_.swelled_bytes = std::max(present_.swelled_bytes, bytes);
    changed_.notify_all();
}

void BrokerLink::Worker::published(std::int64_t id) {
    bool has_room = false;
    {
        const std::lock_guard lock(mutex_);
        if (present_.unacknowledged.erase(id) == 0) return;
        if (present_.unacknowledged.size() <= window / 2) has_room = std::exchange(present_.owes_room, false);
        if (id == status_down_id) changed_.notify_all();
    }
    if (id == status_down_id) return;
    gate_.through(false, [&] {
        if (callbacks_.on_published) callbacks_.on_published(id);
        if (has_room && callbacks_.on_room) callbacks_.on_room();
        return true;
    });
}

BrokerLink::BrokerLink(std::unique_ptr<Worker> worker) : worker_(std::move(worker)) {}

BrokerLink::~BrokerLink() = default;

bool BrokerLink::publish(const Publication& publication) {
    return worker_->publish(publication);
}

void BrokerLink::subscribe_to(std::vector<std::string> topic_filters) {
    worker_->subscribe_to(std::move(topic_filters));
}

LinkState BrokerLink::state() const {
    return worker_->state();
}

void BrokerLink::stop(Duration wait) {
    worker_->stop(wait);
}

Result<std::unique_ptr<BrokerLink>> BrokerLink::start(const BrokerSettings& settings,
                                                      std::vector<std::string> topic_filters,
                                                      Callbacks callbacks) {
    auto address = parse_broker_address(settings.url);
    if (!address) return fail(address.error().text);
    auto password = read_password(settings);
    if (!password) return fail(password.error().text);
    if (address->tls) {
        if (auto files = check_tls_files(settings); !files) return fail(files.error().text);
    }
    ConnectionSettings connection{*address, settings, *password, settings.topic_root + "/status",
                                  payload_down};
    return std::unique_ptr<BrokerLink>(new BrokerLink(std::make_unique<Worker>(
        std::move(connection), without_repeats(std::move(topic_filters)), std::move(callbacks))));
}

}  // namespace tickledger
