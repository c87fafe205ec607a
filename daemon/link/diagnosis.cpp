#include "link/diagnosis.hpp"

#include <arpa/inet.h>
#include <fmt/format.h>
#include <fmt/ranges.h>
#include <openssl/err.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>

#include <ctime>
#include <memory>

namespace tickledger {
namespace {

constexpr std::chrono::seconds probe_wait{3};

std::string why_refused(const ConnectionSettings& settings, int code) {
    const std::string& url = settings.address.url;
    const std::string& user = settings.broker.username;
    // Return codes of CONNACK: MQTT 3.1.1 table 3.1.
    switch (code) {
        case 1:
            return fmt::format("the broker at {} does not speak MQTT 3.1.1; use one that does", url);
        case 2:
            return fmt::format("the broker at {} refuses the client id `{}`; choose another broker.client_id",
                               url, settings.broker.client_id);
        case 3:
            return fmt::format("the broker at {} says that its service is unavailable", url);
        case 4:
        case 5:
            if (user.empty()) {
                return fmt::format(
                    "the broker at {} lets nobody in without a name (not authorized); set "
                    "broker.username and broker.password_file",
                    url);
            }
            return fmt::format(
                "the broker at {} refuses the user `{}` (not authorized); check broker.username and "
                "the password in {}",
                url, user,
                settings.broker.password_file.empty() ? "broker.password_file"
                                                      : settings.broker.password_file);
        default:
            return fmt::format("the broker at {} refuses the connection (return code {})", url, code);
    }
}

using TlsContext = std::unique_ptr<SSL_CTX, decltype(&::SSL_CTX_free)>;
using TlsStream = std::unique_ptr<BIO, decltype(&::BIO_free_all)>;

void load_files(SSL_CTX* context, const BrokerSettings& broker) {
    if (broker.ca_file.empty()) {
        ::SSL_CTX_set_default_verify_paths(context);
    } else {
        ::SSL_CTX_load_verify_locations(context, broker.ca_file.c_str(), nullptr);
    }
    if (broker.cert_file.empty()) return;
    const std::string& key_file = broker.key_file.empty() ? broker.cert_file : broker.key_file;
    ::SSL_CTX_use_certificate_chain_file(context, broker.cert_file.c_str());
    ::SSL_CTX_use_PrivateKey_file(context, key_file.c_str(), SSL_FILETYPE_PEM);
}

void expect_host(SSL* tls, const std::string& host) {
    in6_addr address{};
    const bool is_address = ::inet_pton(AF_INET, host.c_str(), &address) == 1 ||
                            ::inet_pton(AF_INET6, host.c_str(), &address) == 1;
    if (is_address) {
        ::X509_VERIFY_PARAM_set1_ip_asc(::SSL_get0_param(tls), host.c_str());
    } else {
        ::SSL_set1_host(tls, host.c_str());
        ::SSL_set_tlsext_host_name(tls, host.c_str());
    }
}

/// The reason of the first error in this thread's OpenSSL queue.
std::string openssl_words() {
    const unsigned long error = ::ERR_peek_error();
    const char* reason = error != 0 ? ::ERR_reason_error_string(error) : nullptr;
    return reason != nullptr ? reason : "it closes the connection";
}

/// Repeats the TLS handshake as the client library does it. Returns why it fails, or an empty string.
std::string why_no_handshake(const ConnectionSettings& settings) {
    ::ERR_clear_error();
    const TlsContext context(::SSL_CTX_new(::TLS_client_method()), &::SSL_CTX_free);
    if (!context) return openssl_words();
    load_files(context.get(), settings.broker);
    ::SSL_CTX_set_verify(context.get(), SSL_VERIFY_PEER, nullptr);
    const TlsStream stream(::BIO_new_ssl_connect(context.get()), &::BIO_free_all);
    SSL* tls = nullptr;
    if (!stream || ::BIO_get_ssl(stream.get(), &tls) != 1) return openssl_words();
    expect_host(tls, settings.address.host);
    const std::string uri = settings.address.server_uri();
    ::BIO_set_conn_hostname(stream.get(), uri.substr(uri.find("//") + 2).c_str());
    ::BIO_set_nbio(stream.get(), 1);
    const auto give_up_at = std::time(nullptr) + probe_wait.count();
    while (::BIO_do_handshake(stream.get()) <= 0) {
        const long verified = ::SSL_get_verify_result(tls);
        if (verified != X509_V_OK) return ::X509_verify_cert_error_string(verified);
        if (!::BIO_should_retry(stream.get())) return openssl_words();
        if (::BIO_wait(stream.get(), give_up_at, 10) <= 0) return "it does not answer the TLS greeting";
    }
    return {};
}

}  // namespace

std::string why_failed(const ConnectionSettings& settings, int code) {
    if (code > 0) return why_refused(settings, code);
    const BrokerAddress& address = settings.address;
    if (std::string unreachable = why_unreachable(address, probe_wait); !unreachable.empty())
        return unreachable;
    if (!address.tls) {
        return fmt::format(
            "the broker at {} takes the connection but does not answer as an MQTT broker; check the "
            "port, and whether it wants mqtts://",
            address.url);
    }
    if (const std::string words = why_no_handshake(settings); !words.empty()) {
        return fmt::format(
            "the TLS connection to the broker at {} failed ({}); check broker.ca_file, broker.cert_file and "
            "broker.key_file, and the name in the broker's certificate",
            address.url, words);
    }
    return fmt::format("the broker at {} did not answer in time", address.url);
}

std::string trouble_with(const ConnectionSettings& settings, const std::vector<Grant>& grants) {
    std::vector<std::string> refused;
    std::vector<std::string> weakened;
    for (const auto& [filter, code] : grants) {
        if (code >= grant_refused) refused.push_back(filter);
        if (code == 0) weakened.push_back(filter);
    }
    const std::string& url = settings.address.url;
    const std::string& name = settings.broker.username;
    if (!refused.empty()) {
        return fmt::format("the broker at {} refuses the subscription to `{}`; check what it allows the {}",
                           url, fmt::join(refused, "`, `"),
                           name.empty() ? "nameless user" : "user `" + name + "`");
    }
    if (!weakened.empty()) {
        return fmt::format(
            "the broker at {} grants `{}` only without acknowledgement (QoS 0), so messages can be "
            "lost; use a broker with QoS 1",
            url, fmt::join(weakened, "`, `"));
    }
    return {};
}

}  // namespace tickledger
