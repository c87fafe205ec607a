// How the system names its time zone.
#include <stdlib.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>

#include "configuration/system_timezone.hpp"

using tickledger::system_timezone;

namespace {

/// A temporary directory in place of /etc.
class Etc {
public:
    Etc() {
        std::string name = (std::filesystem::temp_directory_path() / "tickledger-etc-XXXXXX").string();
        REQUIRE(mkdtemp(name.data()) != nullptr);
        path_ = name;
    }
    ~Etc() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    Etc(const Etc&) = delete;
    Etc& operator=(const Etc&) = delete;

    void link_localtime(const std::string& target) const {
        std::filesystem::create_symlink(target, path_ / "localtime");
    }
    void write(const std::string& name, const std::string& text) const {
        std::ofstream(path_ / name) << text;
    }
    [[nodiscard]] std::string zone() const { return system_timezone(path_); }

private:
    std::filesystem::path path_;
};

}  // namespace

TEST_CASE("The link localtime names the zone", "[configuration]") {
    const Etc etc;
    etc.write("timezone", "Europe/Berlin\n");
    SECTION("absolute") {
        etc.link_localtime("/usr/share/zoneinfo/Europe/Lisbon");
        CHECK(etc.zone() == "Europe/Lisbon");
    }
    SECTION("relative") {
        etc.link_localtime("../usr/share/zoneinfo/America/Argentina/Buenos_Aires");
        CHECK(etc.zone() == "America/Argentina/Buenos_Aires");
    }
    SECTION("with leap seconds") {
        etc.link_localtime("/usr/share/zoneinfo/right/Europe/Lisbon");
        CHECK(etc.zone() == "Europe/Lisbon");
    }
}

TEST_CASE("Without a link to a known zone, the file timezone names the zone", "[configuration]") {
    const Etc etc;
    etc.write("timezone", "Europe/Berlin \nmore\n");
    SECTION("no link") {
        CHECK(etc.zone() == "Europe/Berlin");
    }
    SECTION("a copy") {
        etc.write("localtime", "TZif");
        CHECK(etc.zone() == "Europe/Berlin");
    }
    SECTION("a link elsewhere") {
        etc.link_localtime("/somewhere/else");
        CHECK(etc.zone() == "Europe/Berlin");
    }
    SECTION("an unknown zone") {
        etc.link_localtime("/usr/share/zoneinfo/Moon/Tranquillity");
        CHECK(etc.zone() == "Europe/Berlin");
    }
}

TEST_CASE("If nothing names a zone, it is UTC", "[configuration]") {
    const Etc etc;
    SECTION("nothing there") {
        CHECK(etc.zone() == "UTC");
    }
    SECTION("an unknown zone") {
        etc.write("timezone", "Moon/Tranquillity\n");
        CHECK(etc.zone() == "UTC");
    }
}
