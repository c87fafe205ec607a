// The simulated disk keeps synced writes and may lose the others; SQLite works on it.
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
    /// The number of the last row; 0: there is no row.
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

/// Ends a connection as a kill does: closing it writes nothing.
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

TEST_CASE("the simulated disk loses unsynced commits at a power cut and keeps synced ones") {
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

TEST_CASE("a torn power cut leaves the first commits, and how many depends on the seed") {
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
        // No commit is missing before one that is there.
        CHECK(again.count() == again.last());
        left.insert(again.count());
    }
    CHECK(left.size() > 3);
    CHECK(*left.rbegin() <= 10);
}

TEST_CASE("a commit on a full simulated disk fails and leaves nothing, and succeeds once there is room") {
    SimVfs vfs(1);
    Connection connection(vfs);
    vfs.set_free_bytes(500);
    CHECK(connection.run(insert) == SQLITE_FULL);
    CHECK(connection.count() == 0);
    vfs.set_free_bytes(std::numeric_limits<std::uint64_t>::max());
    CHECK(connection.run(insert) == SQLITE_OK);
    CHECK(connection.count() == 1);
}

TEST_CASE("a commit fails if a write to the simulated disk fails") {
    SimVfs vfs(1);
    Connection connection(vfs);
    vfs.fail_writes(1);
    CHECK(connection.run(insert) == SQLITE_IOERR);
    CHECK(connection.run(insert) == SQLITE_OK);
    CHECK(connection.count() == 1);
}
