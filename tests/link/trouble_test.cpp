// Troubles of the link are reported in words.
#include <signal.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <system_error>

#include "recorder.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

std::string first_trouble(const Recorder& recorder) {
    REQUIRE(wait_until([&] { return !recorder.troubles().empty(); }));
    return recorder.troubles()[0];
}

BrokerSettings with_password(BrokerSettings settings, const TempDirectory& directory,
                             const std::string& password) {
    settings.username = "ledger";
    settings.password_file = directory.write("password", password + "\n");
    std::filesystem::permissions(settings.password_file, std::filesystem::perms::owner_read);
    return settings;
}

/// The path of the broker's plugin with rules for subscriptions; empty if it is not installed.
std::string security_plugin() {
    const std::string name = "mosquitto_dynamic_security.so";
    for (const auto& directory : std::filesystem::directory_iterator("/usr/lib")) {
        std::error_code problem;
        if (std::filesystem::exists(directory.path() / name, problem)) return directory.path() / name;
    }
    return {};
}

}  // namespace

TEST_CASE("a wrong password is reported with the user and the file, a right one connects") {
    MosquittoProcess::Options options;
    options.username = "ledger";
    options.password = "right";
    const MosquittoProcess broker(options);
    const TempDirectory directory;
    Recorder recorder;
    SECTION("wrong") {
        const auto settings = with_password(settings_for(broker), directory, "wrong");
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains(broker.url()) && Catch::Contains("`ledger`") &&
                                                Catch::Contains("not authorized") &&
                                                Catch::Contains(settings.password_file));
        CHECK(link->state().connects == 0);
    }
    SECTION("none") {
        const auto link = start_link(settings_for(broker), recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("set broker.username and broker.password_file"));
    }
    SECTION("right") {
        const auto link = start_link(with_password(settings_for(broker), directory, "right"), recorder);
        CHECK(wait_subscribed(*link));
        CHECK(recorder.troubles().empty());
        link->stop(stop_wait);
    }
}

TEST_CASE("refused subscriptions are named, and the status does not say up") {
    // The rules of mosquitto's acl_file do not apply to subscriptions. Those of its own plugin do.
    const TempDirectory directory;
    const auto rules = directory.write("rules.json", R"({
        "defaultACLAccess": {"publishClientSend": true, "publishClientReceive": true, "subscribe": true,
                             "unsubscribe": true},
        "groups": [{"groupname": "everyone", "roles": [{"rolename": "limited"}], "clients": []}],
        "anonymousGroup": "everyone", "clients": [],
        "roles": [{"rolename": "limited",
                   "acls": [{"acltype": "subscribePattern", "topic": "secret/#", "priority": 1, "allow": false}]}]
    })");
    const std::string plugin = security_plugin();
    INFO("mosquitto_dynamic_security.so is part of Debian's package mosquitto");
    REQUIRE(plugin != "");
    MosquittoProcess::Options options;
    options.more = "plugin " + plugin + "\nplugin_opt_config_file " + rules.string();
    const MosquittoProcess broker(options);
    Recorder recorder;
    const bool several = GENERATE(true, false);
    const std::vector<std::string> filters =
        several ? std::vector<std::string>{"nodes/#", "secret/+", "secret/deep/#"}
                : std::vector<std::string>{"secret/+"};
    const auto link = start_link(settings_for(broker), recorder, filters);
    const std::string trouble = first_trouble(recorder);
    CHECK_THAT(trouble,
               Catch::Contains("refuses the subscription to `secret/+") && Catch::Contains("nameless user"));
    CHECK((trouble.find("nodes/#") == std::string::npos));
    CHECK((trouble.find("secret/deep/#") != std::string::npos) == several);
    const auto state = link->state();
    CHECK(state.connected);
    CHECK_FALSE(state.subscribed);
    CHECK(state.trouble == trouble);
    if (several) {
        broker.publish("nodes/a", "1");
        CHECK(wait_until([&] { return recorder.messages().size() == 1; }));
    }
    CHECK(broker.retained("tickledger/status").empty());
    link->stop(stop_wait);
}

TEST_CASE("a host that does not exist and a second client with the same id are reported") {
    Recorder recorder;
    BrokerSettings settings;
    SECTION("no such host") {
        // RFC 6761 section 6.4: names below invalid. never exist.
        settings.url = "mqtt://broker.invalid:1883";
        const auto link = start_link(settings, recorder);
        CHECK_THAT(first_trouble(recorder), Catch::Contains("host `broker.invalid` is not found"));
    }
    SECTION("a second client with the same client id") {
        const MosquittoProcess broker;
        const auto link = start_link(settings_for(broker), recorder);
        REQUIRE(wait_subscribed(*link));
        Recorder other;
        const auto rival = start_link(settings_for(broker), other);
        CHECK_THAT(first_trouble(recorder),
                   Catch::Contains("does another client use the client id `tickledger`"));
    }
}

TEST_CASE("settings that cannot work are refused at the start") {
    Recorder recorder;
    BrokerSettings settings;
    settings.url = "tcp://localhost";
    CHECK_THAT(BrokerLink::start(settings, {}, recorder.callbacks()).error().text,
               Catch::Contains("mqtt://HOST:PORT"));
    settings.url = "mqtts://localhost";
    settings.ca_file = "/nowhere/ca.pem";
    CHECK_THAT(BrokerLink::start(settings, {}, recorder.callbacks()).error().text,
               Catch::Contains("broker.ca_file"));
}
