// The simulated disk keeps what it promised to keep, forgets the rest, and SQLite stands on it.
#include "simulation/sim_vfs.hpp"

#include <sqlite3.h>

#include <catch2/catch.hpp>
#include <limits>
#include <memory>
#include <set>

using namespace tickledger::simulation;
using tickledger::test::PowerCut;

namespace {

class Connection {
public:
    explicit Connection(const SimVfs& vfs) {
        sqlite3_open_v2("/table.db", &handle_, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE,
                        vfs.name().c_str());
        run("PRAGMA locking_mode = EXCLUSIVE; PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"
            "CREATE TABLE IF NOT EXISTS number (value INTEGER)");
    }
    ~Connection() { sqlite3_close(handle_); }
    Connection(const Connection&) = delete;
    Connection& operator=(const Connection&) = delete;

    int run(const char* sql) { return sqlite3_exec(handle_, sql, nullptr, nullptr, nullptr); }
    int count() { return ask("SELECT count(*) FROM number"); }
    /// The number of the last row; 0: there is none.
    int last() { return ask("SELECT coalesce(max(rowid), 0) FROM number"); }
    bool is_sound() {
        return ask("SELECT count(*) FROM pragma_integrity_check WHERE integrity_check = 'ok'") == 1;
    }

private:
    int ask(const char* sql) {
        int answer = -1;
        sqlite3_exec(
            handle_, sql,
            [](void* to, int, char** values, char**) {
                *static_cast<int*>(to) = std::atoi(values[0]);
                return 0;
            },
            &answer, nullptr);
        return answer;
    }

    sqlite3* handle_ = nullptr;
};

/// Ends a connection as a kill does: nothing of its closing reaches the disk.
void drop(SimVfs& vfs, std::unique_ptr<Connection>& connection) {
    vfs.ask_before_writes([] { return false; });
    connection.reset();
    vfs.ask_before_writes({});
}

constexpr const char* insert = "INSERT INTO number VALUES (1)";

}  // namespace

TEST_CASE("the simulated disk keeps every commit over a kill") {
    SimVfs vfs(1);
    auto connection = std::make_unique<Connection>(vfs);
    for (int i = 0; i < 10; ++i)
        CHECK(connection->run(insert) == SQLITE_OK);
    drop(vfs, connection);
    CHECK(Connection(vfs).count() == 10);
}

TEST_CASE("the simulated disk forgets at a power cut what was not synced, and keeps what was") {
    SimVfs vfs(1);
    auto connection = std::make_unique<Connection>(vfs);
    CHECK(connection->run(insert) == SQLITE_OK);
    CHECK(connection->run("PRAGMA wal_checkpoint(TRUNCATE)") == SQLITE_OK);
    for (int i = 0; i < 10; ++i)
        CHECK(connection->run(insert) == SQLITE_OK);
    vfs.cut_power(PowerCut::forgets_all);
    drop(vfs, connection);
    CHECK(Connection(vfs).count() == 1);
}

TEST_CASE("a torn power cut leaves a beginning of the commits, and another one with another seed") {
    std::set<int> left;
    for (std::uint64_t seed = 1; seed <= 40; ++seed) {
        SimVfs vfs(seed);
        auto connection = std::make_unique<Connection>(vfs);
        CHECK(connection->run("PRAGMA wal_checkpoint(TRUNCATE)") == SQLITE_OK);
        for (int i = 0; i < 10; ++i)
            CHECK(connection->run(insert) == SQLITE_OK);
        vfs.cut_power(PowerCut::tears);
        drop(vfs, connection);
        Connection again(vfs);
        CHECK(again.is_sound());
        // A beginning: of a commit that is there none before it is missing.
        CHECK(again.count() == again.last());
        left.insert(again.count());
    }
    CHECK(left.size() > 3);
    CHECK(*left.rbegin() <= 10);
}

TEST_CASE("a full simulated disk fails a commit, which leaves nothing, and takes it once there is room") {
    SimVfs vfs(1);
    Connection connection(vfs);
    vfs.set_free_bytes(500);
    CHECK(connection.run(insert) == SQLITE_FULL);
    CHECK(connection.count() == 0);
    vfs.set_free_bytes(std::numeric_limits<std::uint64_t>::max());
    CHECK(connection.run(insert) == SQLITE_OK);
    CHECK(connection.count() == 1);
}

TEST_CASE("failing writes of the simulated disk fail a commit") {
    SimVfs vfs(1);
    Connection connection(vfs);
    vfs.fail_writes(1);
    CHECK(connection.run(insert) == SQLITE_IOERR);
    CHECK(connection.run(insert) == SQLITE_OK);
    CHECK(connection.count() == 1);
}
