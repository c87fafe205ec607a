#include "link/credentials.hpp"

#include <catch2/catch.hpp>

#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
namespace fs = std::filesystem;

namespace {

BrokerSettings settings_with(const fs::path& password_file, unsigned mode) {
    fs::permissions(password_file, static_cast<fs::perms>(mode));
    BrokerSettings settings;
    settings.username = "ledger";
    settings.password_file = password_file;
    return settings;
}

}  // namespace

TEST_CASE("the password is the first line of its file") {
    const TempDirectory directory;
    CHECK(read_password(settings_with(directory.write("a", "s3cret\nmore\n"), 0600)) == "s3cret");
    CHECK(read_password(settings_with(directory.write("b", "s3cret\r\n"), 0640)) == "s3cret");
    CHECK(read_password(settings_with(directory.write("c", "with space "), 0400)) == "with space ");
    CHECK(read_password(BrokerSettings{}) == "");
}

TEST_CASE("a password file that others may read is refused") {
    const TempDirectory directory;
    const auto words = read_password(settings_with(directory.write("a", "s3cret\n"), 0644)).error().text;
    CHECK_THAT(words, Catch::Contains((directory / "a").string()) && Catch::Contains("mode 0644") &&
                          Catch::Contains("chmod 0640"));
}

TEST_CASE("a missing password is reported") {
    const TempDirectory directory;
    CHECK_THAT(read_password(settings_with(directory.write("a", "\n"), 0600)).error().text,
               Catch::Contains("empty first line"));
    BrokerSettings settings;
    settings.username = "ledger";
    settings.password_file = directory / "missing";
    CHECK_THAT(read_password(settings).error().text, Catch::Contains("No such file"));
    settings.username.clear();
    CHECK_THAT(read_password(settings).error().text, Catch::Contains("broker.username is not"));
}

TEST_CASE("certificate files are checked before any connection is tried") {
    BrokerSettings settings;
    CHECK(check_tls_files(settings));
    settings.ca_file = "/nowhere/ca.pem";
    CHECK_THAT(check_tls_files(settings).error().text,
               Catch::Contains("broker.ca_file") && Catch::Contains("/nowhere"));
    settings.ca_file.clear();
    settings.key_file = "/nowhere/key.pem";
    CHECK_THAT(check_tls_files(settings).error().text, Catch::Contains("needs its certificate"));
}
