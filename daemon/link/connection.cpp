#include "link/connection.hpp"

#include <fmt/format.h>
#include <mqtt/async_client.h>

#include <atomic>
#include <functional>

namespace tickledger {
namespace {

constexpr std::chrono::seconds keep_alive{30};
constexpr std::chrono::seconds connect_limit{10};
/// A node's messages are about a thousandth of this.
constexpr std::size_t huge_bytes = std::size_t{1} << 20U;

/// Publication ids pass through the library as its user contexts.
static_assert(sizeof(void*) >= sizeof(std::int64_t));
void* context_of(std::int64_t id) {
    return reinterpret_cast<void*>(static_cast<std::intptr_t>(id));
}
std::int64_t id_of(const mqtt::token& token) {
    return reinterpret_cast<std::intptr_t>(token.get_user_context());
}

/// Runs a library request. The library throws if it cannot even begin one.
template <typename Request>
Result<void> attempt(const char* what, Request&& request) {
    try {
        request();
        return {};
    } catch (const std::exception& error) {
        return fail(fmt::format("the MQTT client library cannot {} ({})", what, error.what()));
    }
}

std::vector<Grant> grants_of(const mqtt::token& token) {
    const auto filters = token.get_topics();
    const auto codes = token.get_subscribe_response().get_reason_codes();
    std::vector<Grant> grants;
    for (std::size_t i = 0; i < filters->size(); ++i) {
        grants.push_back({(*filters)[i], i < codes.size() ? static_cast<int>(codes[i]) : grant_refused});
    }
    return grants;
}

}  // namespace

struct Connection::Client {
    /// Handles the completion of one kind of request.
    class Listener final : public mqtt::iaction_listener {
    public:
        using Handler = std::function<void(const mqtt::token&)>;
        Listener(Handler success, Handler failure)
            : success_(std::move(success)), failure_(std::move(failure)) {}
        void on_success(const mqtt::token& token) override {
            if (success_) success_(token);
        }
        void on_failure(const mqtt::token& token) override {
            if (failure_) failure_(token);
        }

    private:
        Handler success_;
        Handler failure_;
    };

    Client(const ConnectionSettings& with, ConnectionOwner& heard_by)
        : settings(with),
          owner(heard_by),
          connecting([this](const mqtt::token& token) { connected(token); },
                     [this](const mqtt::token& token) { failed(token); }),
          subscribing([this](const mqtt::token& token) { owner.subscribed(grants_of(token)); },
                      [this](const mqtt::token& token) { subscription_failed(token); }),
          publishing([this](const mqtt::token& token) { owner.published(id_of(token)); }, {}),
          disconnecting([this](const mqtt::token&) { disconnected(); }, {}),
          paho(settings.address.server_uri(), settings.broker.client_id,
               static_cast<mqtt::iclient_persistence*>(nullptr)) {
        paho.set_message_callback([this](const mqtt::const_message_ptr& message) { arrived(*message); });
        paho.set_connection_lost_handler([this](const std::string&) {
            is_over = true;
            owner.lost();
        });
    }

    ~Client() {
        // Otherwise the library would send DISCONNECT, and the broker would not publish the Will.
        if (!is_over) cut_connections_to_port(settings.address.port);
    }
    Client(const Client&) = delete;
    Client& operator=(const Client&) = delete;

    void cut() {
        is_cut = true;
        cut_connections_to_port(settings.address.port);
    }

    void connected(const mqtt::token& token) {
        if (!owner.connected(token.get_connect_response().is_session_present())) cut();
    }

    void failed(const mqtt::token& token) {
        is_over = true;
        owner.failed(token.get_return_code());
    }

    void disconnected() {
        is_over = true;
        owner.disconnected();
    }

    void subscription_failed(const mqtt::token& token) {
        // The library reports the refusal of a single filter as a failure. Any other failure means a broken
        // connection.
        if (token.get_return_code() != grant_refused) return;
        owner.subscribed({{(*token.get_topics())[0], grant_refused}});
    }

    void arrived(const mqtt::message& message) {
        // Messages read before the cut are still delivered, but can no longer be acknowledged.
        if (is_cut) return;
        Message kept;
        kept.arrived_at = std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
        kept.topic = message.get_topic();
        // MQTT allows 256 MiB. One byte over the limit is kept, so that a payload that is too long is
        // recognised as such.
        const auto& payload = message.get_payload();
        kept.payload.assign(payload, 0, payload_max_bytes + 1);
        if (payload.size() >= huge_bytes) owner.swelled(payload.size());
        kept.qos = message.get_qos();
        kept.retained = message.is_retained();
        kept.redelivered = message.is_duplicate();
        if (!owner.arrived(std::move(kept))) cut();
    }

    [[nodiscard]] mqtt::ssl_options tls_options() const {
        mqtt::ssl_options options;
        if (!settings.broker.ca_file.empty()) options.set_trust_store(settings.broker.ca_file);
        if (!settings.broker.cert_file.empty()) {
            options.set_key_store(settings.broker.cert_file);
            const bool own_key = !settings.broker.key_file.empty();
            options.set_private_key(own_key ? settings.broker.key_file : settings.broker.cert_file);
        }
        options.set_enable_server_cert_auth(true);
        options.set_verify(true);
        // No error handler: the library would call it through options that no longer exist once connect() has
        // returned.
        return options;
    }

    [[nodiscard]] mqtt::connect_options connect_options() const {
        mqtt::connect_options options;
        options.set_mqtt_version(MQTTVERSION_3_1_1);
        options.set_clean_session(false);
        options.set_automatic_reconnect(false);
        options.set_keep_alive_interval(keep_alive);
        options.set_connect_timeout(connect_limit);
        options.set_will(mqtt::message(settings.will_topic, settings.will_payload, 1, true));
        if (!settings.broker.username.empty()) options.set_user_name(settings.broker.username);
        if (!settings.password.empty()) options.set_password(settings.password);
        if (settings.address.tls) options.set_ssl(tls_options());
        return options;
    }

    ConnectionSettings settings;
    ConnectionOwner& owner;
    bool is_cut = false;  ///< Only the library's receiving thread touches it.
    std::atomic<bool> is_over = false;
    Listener connecting;
    Listener subscribing;
    Listener publishing;
    Listener disconnecting;
    mqtt::async_client paho;  ///< Last: its destructor still calls the listeners.
};

Connection::Connection(const ConnectionSettings& settings, ConnectionOwner& owner)
    : settings_(settings), owner_(owner) {}

Connection::~Connection() = default;

Result<void> Connection::open() {
    return attempt("connect", [this] {
        client_ = std::make_unique<Client>(settings_, owner_);
        client_->paho.connect(client_->connect_options(), nullptr, client_->connecting);
    });
}

Result<void> Connection::subscribe(const std::vector<std::string>& filters) {
    return attempt("subscribe", [&] {
        const std::vector<int> qos(filters.size(), 1);
        client_->paho.subscribe(mqtt::string_collection::create(filters), qos, nullptr, client_->subscribing);
    });
}

Result<void> Connection::unsubscribe(const std::vector<std::string>& filters) {
    return attempt("unsubscribe",
                   [&] { client_->paho.unsubscribe(mqtt::string_collection::create(filters)); });
}

Result<void> Connection::publish(const Publication& publication) {
    return attempt("publish", [&] {
        client_->paho.publish(
            mqtt::make_message(publication.topic, publication.payload, 1, publication.retained),
            context_of(publication.id), client_->publishing);
    });
}

Result<void> Connection::disconnect() {
    return attempt("disconnect", [this] { client_->paho.disconnect(0, nullptr, client_->disconnecting); });
}

}  // namespace tickledger
