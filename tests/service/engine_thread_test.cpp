// The booking thread: when it books, and what makes it book early.
#include "service/engine_thread.hpp"

#include <atomic>
#include <catch2/catch.hpp>
#include <filesystem>

#include "engine/event_source.hpp"
#include "engine/opened_store.hpp"
#include "store/database.hpp"
#include "support/temp_directory.hpp"
#include "support/wait_until.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

std::vector<MeterSettings> one_meter() {
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    return {meter};
}

Instant now() {
    return std::chrono::time_point_cast<Duration>(std::chrono::system_clock::now());
}

/// Everything behind the link: a store on the disk and the thread that books into it.
class BookingDesk {
public:
    explicit BookingDesk(Duration commit_every) {
        const auto tell = [](Level, const std::string&) {};
        auto opened =
            open_store(*files_, directory_.path(), *meters_, 1, zone_, now() - std::chrono::hours{24});
        REQUIRE(opened.has_value());
        store_ = std::move(*opened);
        intake_ = std::make_unique<Intake>(Intake::Parts{.log = store_.log.get(),
                                                         .clock = &clock_,
                                                         .meters = meters_,
                                                         .clock_floor = store_.clock_floor,
                                                         .clock_reach = store_.clock_reach,
                                                         .has_undated = store_.has_undated,
                                                         .on_appended = [] { return true; },
                                                         .tell = tell});
        source_ = std::make_unique<LogSource>(*files_, directory_.path() / messages_name, *store_.log,
                                              store_.booked_to);
        engine_ = std::make_unique<Engine>(*store_.ledger, *store_.bookkeeper, *source_, store_.booked_to,
                                           EngineSettings{.pack_after = std::chrono::hours{24}}, tell);
        thread_ = std::make_unique<EngineThread>(EngineThread::Parts{.engine = engine_.get(),
                                                                     .bookkeeper = store_.bookkeeper.get(),
                                                                     .intake = intake_.get(),
                                                                     .topic_root = "out",
                                                                     .commit_every = commit_every,
                                                                     .on_step = [this] { ++steps_; },
                                                                     .on_standstill = {}});
    }

    void hear(int count) {
        Message message;
        message.arrived_at = now();
        message.topic = "nodes/house";
        message.payload = "{\"count\":" + std::to_string(count) + "}";
        REQUIRE(intake_->accept(std::move(message)));
        thread_->wake();
    }
    [[nodiscard]] std::filesystem::path ledger() const { return directory_.path() / "ledger.db"; }
    [[nodiscard]] int steps() const { return steps_; }
    [[nodiscard]] EngineThread& thread() { return *thread_; }
    [[nodiscard]] std::uint64_t booked() const { return thread_->state().counts.booked; }

private:
    TempDirectory directory_;
    std::unique_ptr<Files> files_ = machine_files();
    SystemClock clock_;
    std::shared_ptr<const std::vector<MeterSettings>> meters_ =
        std::make_shared<const std::vector<MeterSettings>>(one_meter());
    CivilZone zone_ = CivilZone::find("UTC").value();
    std::atomic<int> steps_{0};
    OpenedStore store_;
    std::unique_ptr<Intake> intake_;
    std::unique_ptr<LogSource> source_;
    std::unique_ptr<Engine> engine_;
    std::unique_ptr<EngineThread> thread_;
};

}  // namespace

TEST_CASE("a confirmation from the broker does not shorten commit_every") {
    BookingDesk desk(std::chrono::hours{1});
    desk.hear(1);
    desk.thread().catch_up();
    const std::uint64_t before = desk.booked();
    CHECK(before == 1);
    desk.hear(2);
    for (int confirmed = 0; confirmed < 3; ++confirmed) {
        const int steps = desk.steps();
        desk.thread().wake_for_sending();
        REQUIRE(wait_until([&] { return desk.steps() > steps; }));
    }
    CHECK(desk.booked() == before);
    desk.thread().catch_up();
    CHECK(desk.booked() == 2);
}

TEST_CASE("a commit_every as long as the watchdog's time got the working daemon killed") {
    BookingDesk desk(std::chrono::hours{1});
    desk.thread().catch_up();
    desk.hear(1);
    const int steps = desk.steps();
    REQUIRE(wait_until([&] { return desk.steps() >= steps + 3; }));
    desk.thread().catch_up();
    CHECK(desk.booked() == 1);
}

TEST_CASE("messages were counted as booked by a batch that was rolled back") {
    BookingDesk desk(std::chrono::hours{1});
    desk.thread().catch_up();
    const auto other = Database::open(desk.ledger(), Database::Access::write);
    REQUIRE(other.has_value());
    // The facts are the last rows that a batch writes.
    const auto refuses = (*other)->execute(
        "CREATE TRIGGER refuses BEFORE INSERT ON fact BEGIN SELECT raise(ABORT, 'not now'); END");
    REQUIRE(refuses.has_value());
    desk.hear(1);
    desk.thread().catch_up();
    CHECK_FALSE(desk.thread().state().trouble.empty());
    CHECK(desk.booked() == 0);
    REQUIRE((*other)->execute("DROP TRIGGER refuses").has_value());
    CHECK(wait_until([&] { return desk.booked() == 1; }));
    CHECK(desk.thread().state().trouble.empty());
}
