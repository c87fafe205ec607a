// mqtts with real certificates, made by openssl for the test.
#include <catch2/catch.hpp>

#include "recorder.hpp"
#include "support/child_process.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// A certificate authority and a broker's certificate for 127.0.0.1, both valid for a day.
class Certificates {
public:
    Certificates() {
        make_authority("ca");
        make_authority("stranger");
        make_signed("broker", "subjectAltName=IP:127.0.0.1");
        make_signed("elsewhere", "subjectAltName=IP:192.0.2.1");
        make_signed("client", "extendedKeyUsage=clientAuth");
        make_signed("expired", "subjectAltName=IP:127.0.0.1", "0");
    }
    [[nodiscard]] std::filesystem::path certificate(const std::string& name) const {
        return directory_ / (name + ".pem");
    }
    [[nodiscard]] std::filesystem::path key(const std::string& name) const {
        return directory_ / (name + ".key");
    }

private:
    void make_authority(const std::string& name) {
        run({"openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-days", "1", "-subj", "/CN=" + name, "-keyout", key(name), "-out", certificate(name)});
    }
    void make_signed(const std::string& name, const std::string& extension, const std::string& days = "1") {
        const std::string request = (directory_ / (name + ".request")).string();
        run({"openssl", "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj",
             "/CN=" + name, "-keyout", key(name), "-out", request});
        const auto extensions = directory_.write(name + ".extensions", extension + "\n");
        run({"openssl", "x509", "-req", "-in", request, "-CA", certificate("ca"), "-CAkey", key("ca"),
             "-CAcreateserial", "-days", days, "-extfile", extensions, "-out", certificate(name)});
    }

    TempDirectory directory_;
};

MosquittoProcess::Options tls_broker(const Certificates& certificates, const std::string& name) {
    MosquittoProcess::Options options;
    options.tls_ca_file = certificates.certificate("ca");
    options.tls_cert_file = certificates.certificate(name);
    options.tls_key_file = certificates.key(name);
    return options;
}

BrokerSettings trusting(const Certificates& certificates, const MosquittoProcess& broker) {
    auto settings = settings_for(broker);
    settings.ca_file = certificates.certificate("ca");
    return settings;
}

std::string first_trouble(const Recorder& recorder) {
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    return recorder.troubles()[0];
}

}  // namespace

TEST_CASE("messages arrive over TLS, and one that could not be kept is delivered again") {
    const Certificates certificates;
    const MosquittoProcess broker(tls_broker(certificates, "broker"));
    Recorder recorder;
    const auto settings = trusting(certificates, broker);
    const auto link = start_link(settings, recorder);
    REQUIRE(wait_subscribed(*link));
    recorder.keeps_messages = false;
    broker.publish_lines("nodes/a", numbers(1, 20));
    REQUIRE(wait_until([&] { return recorder.refused() >= 1; }));
    recorder.keeps_messages = true;
    CHECK(wait_until([&] { return recorder.payloads().size() == 20; }));
    link->stop(stop_wait);
}

TEST_CASE("an untrusted broker certificate is reported in words") {
    const Certificates certificates;
    Recorder recorder;
    SECTION("signed by somebody else") {
        const MosquittoProcess broker(tls_broker(certificates, "broker"));
        auto settings = settings_for(broker);
        settings.ca_file = certificates.certificate("stranger");
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder),
                   Catch::Contains("the TLS connection to the broker at " + broker.url()) &&
                       Catch::Contains("self-signed certificate in certificate chain") &&
                       Catch::Contains("broker.ca_file"));
        CHECK(link->state().connects == 0);
    }
    SECTION("for another name") {
        const MosquittoProcess broker(tls_broker(certificates, "elsewhere"));
        const auto settings = trusting(certificates, broker);
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("IP address mismatch"));
        CHECK(link->state().connects == 0);
    }
    SECTION("expired") {
        // It expires in the second in which it was made.
        REQUIRE(wait_until([&] {
            ChildProcess check({"openssl", "x509", "-checkend", "0", "-noout", "-in",
                                certificates.certificate("expired").string()},
                               {});
            return check.wait() == 1;
        }));
        const MosquittoProcess broker(tls_broker(certificates, "expired"));
        const auto settings = trusting(certificates, broker);
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("certificate has expired"));
        CHECK(link->state().connects == 0);
    }
    SECTION("a port without TLS") {
        const MosquittoProcess broker;
        auto settings = settings_for(broker);
        settings.url = "mqtts" + broker.url().substr(4);
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("the TLS connection to the broker"));
    }
    SECTION("TLS on a link without it") {
        const MosquittoProcess broker(tls_broker(certificates, "broker"));
        auto settings = settings_for(broker);
        settings.url = "mqtt" + broker.url().substr(5);
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("whether it wants mqtts://"));
    }
}

TEST_CASE("a broker that requires a client certificate gets it") {
    const Certificates certificates;
    auto options = tls_broker(certificates, "broker");
    options.tls_requires_certificate = true;
    const MosquittoProcess broker(options);
    Recorder recorder;
    auto settings = trusting(certificates, broker);
    SECTION("with it") {
        settings.cert_file = certificates.certificate("client");
        settings.key_file = certificates.key("client");
        const auto link = start_link(settings, recorder);
        CHECK(wait_subscribed(*link));
        link->stop(stop_wait);
    }
    SECTION("without it") {
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains(broker.url()));
        CHECK(link->state().connects == 0);
    }
}
