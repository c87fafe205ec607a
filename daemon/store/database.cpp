#include "store/database.hpp"

#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <system_error>
#include <utility>

#include "store/statement.hpp"

namespace tickledger {
namespace {

constexpr std::string_view cure_of_damage =
    "If there is a sound backup, the next start restores it from that and the message log. If there is none, "
    "move the file away: the next start makes a new ledger from the message log.";

/// How long a connection waits for another one that holds the file before it fails.
constexpr int busy_wait_ms = 2000;

/// What went wrong, and what a person can do about it.
struct Words {
    std::string cause;
    std::string advice;
};

std::string system_reason(sqlite3* handle) {
    const int number = sqlite3_system_errno(handle);
    return number == 0 ? std::string() : " (" + std::generic_category().message(number) + ")";
}

Words words_for(int code, sqlite3* handle) {
    const std::string system = system_reason(handle);
    if (code == SQLITE_ABORT_ROLLBACK) {
        return {"an earlier failure has undone the changes of this batch", "Book the batch again."};
    }
    switch (code & 0xff) {
        case SQLITE_FULL:
            return {"the disk is full",
                    "Make room on its file system. Accepted messages wait in the message log until then."};
        case SQLITE_IOERR:
            return {"the disk reports an error" + system + ": " + sqlite3_errstr(code),
                    "Look for disk errors in the system's log (dmesg) and for room on the file system."};
        case SQLITE_CORRUPT:
        case SQLITE_NOTADB:
            return {std::string("the file is damaged or is not a ledger: ") + sqlite3_errmsg(handle),
                    std::string(cure_of_damage)};
        case SQLITE_BUSY:
        case SQLITE_LOCKED:
            return {"another program holds the file", "End that program, or wait until it is done."};
        case SQLITE_READONLY:
        case SQLITE_PERM:
        case SQLITE_AUTH:
            return {"the file cannot be written" + system,
                    "Check the owner and mode of the file and of its directory."};
        case SQLITE_CANTOPEN:
            return {"the file cannot be opened" + system,
                    "Check that it and its directory exist, and their owner and mode."};
        case SQLITE_NOMEM:
            return {"there is not enough memory", "Free memory, or raise the service's limit."};
        default:
            return {sqlite3_errmsg(handle),
                    "If this error stays, check the file (quick check) and report this message."};
    }
}

}  // namespace

Result<std::unique_ptr<Database>> Database::open(const std::filesystem::path& file, Access access,
                                                 const std::string& vfs) {
    sqlite3* handle = nullptr;
    const int flags =
        SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE |
        (access == Access::write ? SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE : SQLITE_OPEN_READONLY);
    const int code = sqlite3_open_v2(file.c_str(), &handle, flags, vfs.empty() ? nullptr : vfs.c_str());
    std::unique_ptr<Database> database(new Database(file, vfs, handle));
    if (code != SQLITE_OK) return tl::unexpected(database->error(code));
    sqlite3_busy_timeout(handle, busy_wait_ms);
    return database;
}

Database::~Database() {
    sqlite3_close_v2(handle_);
}

Result<void> Database::reopen() {
    auto fresh = open(file_, Access::write, vfs_);
    if (!fresh) return tl::unexpected(fresh.error());
    // Statements of the old connection would keep it open, with its memory and the space of its file.
    while (sqlite3_stmt* prepared = sqlite3_next_stmt(handle_, nullptr))
        sqlite3_finalize(prepared);
    // On closing, the old connection would remove the write-ahead log by name, but that is the new one's file
    // by now.
    int is_kept = 1;
    sqlite3_file_control(handle_, "main", SQLITE_FCNTL_PERSIST_WAL, &is_kept);
    sqlite3_db_config(handle_, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
    std::swap(handle_, (*fresh)->handle_);
    ++generation_;
    return {};
}

Result<void> Database::execute(const char* sql) {
    const int code = sqlite3_exec(handle_, sql, nullptr, nullptr, nullptr);
    if (code != SQLITE_OK) return tl::unexpected(error(code));
    return {};
}

Result<std::int64_t> Database::integer(const char* sql) {
    Statement statement(*this, sql);
    Cursor cursor = statement.run();
    return cursor.next().map([&](bool found) { return found ? cursor.column<std::int64_t>(0) : 0; });
}

Result<void> Database::begin(const char* sql, bool reads) {
    auto begun = execute(sql);
    if (begun) begun_ = true;
    reads_ = reads;
    return begun;
}

Result<void> Database::begin_write() {
    return begin("BEGIN IMMEDIATE", false);
}

Result<void> Database::begin_read() {
    // A deferred transaction takes its view of the file with the first page it reads.
    auto begun = begin("BEGIN; SELECT count(*) FROM (SELECT 1 FROM sqlite_schema LIMIT 1)", true);
    ++moments_;
    if (!begun) roll_back();
    return begun;
}

Result<void> Database::commit() {
    if (undone()) return tl::unexpected(error(SQLITE_ABORT_ROLLBACK));
    auto committed = execute("COMMIT");
    if (committed) begun_ = false;
    return committed;
}

void Database::roll_back() {
    for (auto* open = sqlite3_next_stmt(handle_, nullptr); open; open = sqlite3_next_stmt(handle_, open)) {
        sqlite3_reset(open);
    }
    if (sqlite3_get_autocommit(handle_) == 0) sqlite3_exec(handle_, "ROLLBACK", nullptr, nullptr, nullptr);
    begun_ = false;
}

Error Database::error(int code) const {
    const Words words = words_for(code, handle_);
    return {"The ledger " + file_.string() + " fails: " + words.cause + ". " + words.advice};
}

Error Database::damaged(std::string_view what) const {
    return {"The ledger " + file_.string() + " is damaged: " + std::string(what) + ". " +
            std::string(cure_of_damage)};
}

}  // namespace tickledger
