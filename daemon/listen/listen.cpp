#include "listen/listen.hpp"

#include <fmt/format.h>
#include <mqtt/async_client.h>
#include <unistd.h>

#include <algorithm>
#include <condition_variable>
#include <cstdio>
#include <iostream>
#include <mutex>

#include "core/harmless.hpp"
#include "link/address.hpp"
#include "link/credentials.hpp"
#include "tickledger/message.hpp"

namespace tickledger {

namespace {

constexpr std::chrono::seconds answer_limit{10};
constexpr int exit_usage = 64;          // EX_USAGE
constexpr int exit_unavailable = 69;    // EX_UNAVAILABLE
constexpr int exit_configuration = 78;  // EX_CONFIG

/// The link's words as a sentence that names what the person gave.
std::string as_given(std::string text, const ListenOrder& order) {
    if (!text.ends_with('?') && !text.ends_with('.')) text += '.';
    if (!order.is_configured) {
        for (const auto& [setting, option] :
             {std::pair<std::string_view, std::string_view>{"broker.url", "--broker"},
              {"broker.username", "--username"},
              {"broker.password_file", "--password-file"},
              {"broker.ca_file", "--ca-file"}}) {
            for (auto at = text.find(setting); at != std::string::npos; at = text.find(setting, at))
                text.replace(at, setting.size(), option);
        }
    }
    if (text.starts_with("the ")) text[0] = 'T';
    return text;
}

struct Access {
    BrokerAddress address;
    std::string password;
};

/// What has to be right before the broker is asked.
Result<Access> access_of(const ListenOrder& order) {
    auto address = parse_broker_address(order.broker.url);
    if (!address) return fail(as_given(address.error().text, order));
    auto password = read_password(order.broker);
    if (!password) return fail(as_given(password.error().text, order));
    if (const auto files = check_tls_files(order.broker); !files)
        return fail(as_given(files.error().text, order));
    return Access{*std::move(address), *std::move(password)};
}

mqtt::connect_options connect_options(const BrokerSettings& broker, const std::string& password,
                                      bool with_tls) {
    mqtt::connect_options options;
    options.set_mqtt_version(MQTTVERSION_3_1_1);
    // A clean session leaves nothing at the broker.
    options.set_clean_session(true);
    options.set_connect_timeout(answer_limit);
    if (!broker.username.empty()) options.set_user_name(broker.username);
    if (!password.empty()) options.set_password(password);
    if (!with_tls) return options;
    mqtt::ssl_options tls;
    if (!broker.ca_file.empty()) tls.set_trust_store(broker.ca_file);
    if (!broker.cert_file.empty()) {
        tls.set_key_store(broker.cert_file);
        tls.set_private_key(broker.key_file.empty() ? broker.cert_file : broker.key_file);
    }
    tls.set_enable_server_cert_auth(true);
    tls.set_verify(true);
    options.set_ssl(tls);
    return options;
}

/// Passes messages from the client library's thread to the waiting thread.
class Ear {
public:
    explicit Ear(const std::string& topic_root) : findings_(topic_root) {}

    void hear(const mqtt::message& message) {
        const std::lock_guard lock(mutex_);
        findings_.take({std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now()),
                        message.get_topic(), message.get_payload().substr(0, payload_max_bytes + 1),
                        message.is_retained()});
    }
    void lose() {
        const std::lock_guard lock(mutex_);
        is_lost_ = true;
        changed_.notify_all();
    }
    /// False: the connection was lost before the time was over.
    [[nodiscard]] bool wait_for(Duration length) {
        std::unique_lock lock(mutex_);
        return !changed_.wait_for(lock, length, [this] { return is_lost_; });
    }
    [[nodiscard]] Findings findings() {
        const std::lock_guard lock(mutex_);
        return findings_;
    }

private:
    std::mutex mutex_;
    std::condition_variable changed_;
    Findings findings_;
    bool is_lost_ = false;
};

/// The topic that a person picks by its number, or null.
const TopicFinding* ask_for_topic(const std::vector<TopicFinding>& topics, std::size_t choices) {
    if (choices == 0 || ::isatty(STDIN_FILENO) == 0 || ::isatty(STDOUT_FILENO) == 0) return nullptr;
    fmt::print(stderr, "Which one is a water meter? Enter its number, or only press Enter for none: ");
    std::string answer;
    std::getline(std::cin, answer);
    const auto number = std::strtoul(answer.c_str(), nullptr, 10);
    return number >= 1 && number <= choices ? &topics[number - 1] : nullptr;
}

int write_table(const std::vector<TopicFinding>& topics, const std::string& topic) {
    const auto found = std::ranges::find(topics, topic, &TopicFinding::topic);
    if (found == topics.end()) {
        fmt::print(stderr,
                   "No message arrived on {}. Listen longer (--for 10min) or to more topics (--topic '#').\n",
                   topic);
        return 1;
    }
    if (!found->can_be_a_meter()) {
        fmt::print(stderr, "The messages on {} have no field that counts:\n\n{}", topic, describe({*found}));
        return 1;
    }
    fmt::print("{}", meter_table(*found));
    return 0;
}

}  // namespace

Result<Findings> listen(const ListenOrder& order) {
    const auto access = access_of(order);
    if (!access) return tl::unexpected(access.error());
    const auto& [address, password] = *access;
    Ear ear(order.broker.topic_root);
    bool is_connected = false;
    try {
        mqtt::async_client client(address.server_uri(), fmt::format("tickledger-listen-{}", ::getpid()));
        client.set_message_callback([&ear](const mqtt::const_message_ptr& message) { ear.hear(*message); });
        client.set_connection_lost_handler([&ear](const std::string&) { ear.lose(); });
        client.connect(connect_options(order.broker, password, address.tls))->wait();
        is_connected = true;
        client.subscribe(order.filter, 0)->wait();
        if (order.shows_progress)
            fmt::print(stderr, "Listening to {} for {} ...\n", order.filter, format_duration(order.length));
        const bool is_whole = ear.wait_for(order.length);
        if (!is_whole)
            return fail(
                fmt::format("The connection to the broker at {} was lost. Try again.", order.broker.url));
        client.disconnect()->wait_for(answer_limit);
        return ear.findings();
    } catch (const mqtt::exception& error) {
        const std::string reason =
            is_connected ? std::string{} : why_unreachable(address, std::chrono::seconds{2});
        if (!reason.empty()) return fail(as_given("Listening failed: " + reason, order));
        return fail(fmt::format(
            "The broker at {} refuses {} ({}). It may want --username and --password-file, or forbid "
            "this topic.",
            order.broker.url, is_connected ? "the subscription" : "the connection", error.what()));
    }
}

int run_listen(const ListenOrder& order) {
    if (const auto access = access_of(order); !access) {
        fmt::print(stderr, "{}\n", access.error().text);
        return order.is_configured ? exit_configuration : exit_usage;
    }
    const auto findings = listen(order);
    if (!findings) {
        fmt::print(stderr, "{}\n", findings.error().text);
        return exit_unavailable;
    }
    const auto topics = findings->found();
    if (findings->own_messages() > 0)
        fmt::print(stderr, "Left out: what the daemon itself published below {}/ ({} in all).\n",
                   order.broker.topic_root, findings->own_messages());
    if (!order.topic.empty()) return write_table(topics, order.topic);
    if (topics.empty()) {
        fmt::print(
            "No message arrived on {} in {}. Listen longer (--for 10min) or to more topics (--topic '#').\n",
            order.filter, format_duration(order.length));
        return 1;
    }
    fmt::print("{}", describe(topics));
    if (findings->left_out() > 0)
        fmt::print("{} messages of other topics were left out. Use a narrower --topic.\n",
                   findings->left_out());
    const auto choices =
        static_cast<std::size_t>(std::ranges::count_if(topics, &TopicFinding::can_be_a_meter));
    if (const TopicFinding* chosen = ask_for_topic(topics, choices)) {
        fmt::print("\n{}", meter_table(*chosen));
    } else if (choices > 0) {
        fmt::print("To write the [[meter]] table of one of them: tickledgerd listen ... --meter {}\n",
                   harmless_text(topics.front().topic));
    }
    return 0;
}

}  // namespace tickledger
