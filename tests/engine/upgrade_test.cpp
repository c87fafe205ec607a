// Ledgers of every earlier schema version, as SQL in tests/store/ledgers. The tables are those of the program
// of that version and hold thirty hours of two meters: a restart, a gap, a fall and an unreadable message,
// from version 4 on packed days, from version 11 on a packed quarter. The current program opens each ledger,
// keeps every sum, and goes on booking.
#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "engine/engine.hpp"
#include "engine/opened_store.hpp"
#include "store/backup.hpp"
#include "store/database.hpp"
#include "store/ledger_view.hpp"
#include "store/schema.hpp"
#include "support/temp_directory.hpp"

using namespace tickledger;
using namespace tickledger::test;
namespace fs = std::filesystem;
using std::chrono::hours;

namespace {

const fs::path ledgers = TICKLEDGER_LEDGERS;
const Instant begin = parse_rfc3339("2026-03-01T00:00:00Z").value();
const Instant next_message = parse_rfc3339("2026-03-03T07:00:00Z").value();

std::vector<fs::path> stored() {
    std::vector<fs::path> files;
    for (const auto& entry : fs::directory_iterator(ledgers))
        if (entry.path().extension() == ".sql") files.push_back(entry.path());
    std::sort(files.begin(), files.end());
    return files;
}

std::vector<MeterSettings> two_meters() {
    MeterSettings house;
    house.id = "house";
    house.topic = "nodes/house";
    house.cadence = std::chrono::minutes{30};
    MeterSettings garden;
    garden.id = "garden";
    garden.topic = "nodes/garden";
    garden.message = MessageForm::pulses;
    garden.cadence = hours{3};
    return {house, garden};
}

/// Sums that an upgrade must not touch.
std::vector<std::int64_t> sums_of(const fs::path& file) {
    auto database = Database::open(file, Database::Access::read).value();
    std::vector<std::int64_t> sums;
    for (const char* sql :
         {"SELECT sum(ticks) FROM usage_row WHERE meter = 1 AND step = 2",
          "SELECT sum(ticks) FROM usage_row WHERE meter = 2 AND step = 2",
          "SELECT sum(ticks) FROM usage_row WHERE step = 4",
          "SELECT sum(covered_us) FROM usage_row WHERE step >= 2", "SELECT count(*) FROM refused",
          "SELECT count(*) FROM alarm", "SELECT count(*) FROM outbox", "SELECT count(*) FROM boot"})
        sums.push_back(database->integer(sql).value());
    return sums;
}

std::int64_t ticks_of_entries(LedgerView& view, const std::string& id) {
    const auto meter = view.meter(id).value();
    REQUIRE(meter);
    std::int64_t ticks = 0;
    REQUIRE(
        view.entries(meter->key, {begin - hours{24 * 365}, begin + hours{24 * 365}}, [&](const Entry& entry) {
            if (entry.ticks_known()) ticks += entry.ticks;
            return true;
        }));
    return ticks;
}

}  // namespace

TEST_CASE("a ledger of every earlier schema version opens, keeps its sums and takes new bookings") {
    const auto files = stored();
    // Version 4 has two forms.
    REQUIRE(files.size() == schema_steps().size() + 1);
    const auto file = GENERATE_COPY(from_range(files));
    CAPTURE(file.filename().string());
    const TempDirectory directory;
    const fs::path ledger = directory.path() / ledger_name;
    {
        std::ostringstream sql;
        sql << std::ifstream(file).rdbuf();
        auto made = Database::open(ledger, Database::Access::write).value();
        const auto filled = made->execute(sql.str().c_str());
        INFO((filled ? std::string() : filled.error().text));
        REQUIRE(filled);
    }
    const auto before = sums_of(ledger);
    REQUIRE(before[0] == 65);
    REQUIRE(before[1] == 14);

    const auto machine = machine_files();
    const auto meters = two_meters();
    const auto zone = CivilZone::find("UTC").value();
    for (const bool is_first : {true, false}) {
        auto opened = open_store(*machine, directory.path(), meters, 2, zone, begin);
        INFO((opened ? std::string() : opened.error().text));
        REQUIRE(opened.has_value());
        if (is_first) {
            CHECK(sums_of(ledger) == before);
            auto view = LedgerView::open(ledger).value();
            CHECK(ticks_of_entries(*view, "house") == 65);
            CHECK(ticks_of_entries(*view, "garden") == 14);
            CHECK(view->register_readings(1).value().size() == (file.stem() == "version-1" ? 0 : 1));
            // A day of the year before, which version 11 packs.
            const auto old_day =
                view->row({1, Step::day, parse_rfc3339("2025-12-31T00:00:00Z").value()}).value();
            const bool has_packed_quarters = file.stem() == "version-11";
            CHECK(old_day == (has_packed_quarters ? std::optional(Row{7, hours{24}, 0, 1}) : std::nullopt));
        }
        LogSource source(*machine, directory.path() / messages_name, *opened->log, opened->booked_to);
        Engine engine(*opened->ledger, *opened->bookkeeper, source, opened->booked_to,
                      {.pack_after = hours{24}, .packing_every = Duration{0}},
                      [](Level, const std::string& text) { FAIL(text); });
        if (is_first) {
            REQUIRE(opened->log->append(
                Message{{}, "nodes/house", R"({"count":31,"boot":8,"seq":31})", 1, false, false},
                next_message));
        }
        while (engine.step(next_message + hours{48}) == Engine::Step::more) {
        }
        CHECK(engine.trouble().empty());
        auto view = LedgerView::open(ledger).value();
        CHECK(ticks_of_entries(*view, "house") == 68);
        CHECK(ticks_of_entries(*view, "garden") == 14);
        // Everything that can be packed is packed by now, and the sums are unchanged.
        CHECK(sums_of(ledger)[0] == 68);
        CHECK(sums_of(ledger)[1] == 14);
    }
    CHECK(quick_check(ledger).soundness == Soundness::sound);
}
