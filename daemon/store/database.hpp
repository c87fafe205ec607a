// A thin layer over sqlite3: a connection that reports its failures in sentences.
#pragma once

#include <sqlite3.h>

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// One connection, owned and used by one thread. Its Statements must be destroyed before it.
class Database {
public:
    enum class Access : std::uint8_t { read, write };

    /// Opens the file; `write` creates it if it is missing. `vfs` names the SQLite VFS; empty: the default.
    /// Sets only the busy timeout. Fails with the path, the cause and what to do.
    [[nodiscard]] static Result<std::unique_ptr<Database>> open(const std::filesystem::path& file,
                                                                Access access, const std::string& vfs = {});
    ~Database();
    Database(const Database&) = delete;
    Database& operator=(const Database&) = delete;

    /// Closes the connection and opens the file that has the name now. Statements are prepared again when
    /// they are next run. Precondition: no transaction is open and no Cursor alive. After a failure the
    /// connection is unchanged.
    [[nodiscard]] Result<void> reopen();
    /// How often reopen() succeeded.
    [[nodiscard]] std::uint64_t generation() const { return generation_; }

    /// Runs statements without parameters. Rows are dropped.
    [[nodiscard]] Result<void> execute(const char* sql);
    /// The first column of the first row; 0 if there is none.
    [[nodiscard]] Result<std::int64_t> integer(const char* sql);

    /// Precondition: no transaction is open.
    [[nodiscard]] Result<void> begin_write();
    /// As begin_write, for a reader. The moment that it sees is fixed now, not by the first query.
    [[nodiscard]] Result<void> begin_read();
    [[nodiscard]] Result<void> commit();
    /// Leaves no transaction open, whatever failed before. Does nothing if none is open.
    void roll_back();
    [[nodiscard]] bool in_transaction() const { return begun_; }
    /// The number of the moment that begin_read() fixed, until the transaction ends. What was read under the
    /// same number has not changed. Nothing outside a transaction that begin_read() began.
    [[nodiscard]] std::optional<std::uint64_t> read_moment() const {
        return begun_ && reads_ ? std::optional(moments_) : std::nullopt;
    }
    /// True if a failure made SQLite undo the open transaction by itself. Later changes must not be written
    /// without the earlier ones, so every statement fails until roll_back().
    [[nodiscard]] bool undone() const { return begun_ && sqlite3_get_autocommit(handle_) != 0; }

    [[nodiscard]] std::int64_t changed_rows() const { return sqlite3_changes64(handle_); }
    [[nodiscard]] std::int64_t last_row_id() const { return sqlite3_last_insert_rowid(handle_); }

    /// What a SQLite result code means for this file, and what to do.
    [[nodiscard]] Error error(int code) const;
    /// For content that the file should never have.
    [[nodiscard]] Error damaged(std::string_view what) const;

    [[nodiscard]] sqlite3* handle() const { return handle_; }
    [[nodiscard]] const std::filesystem::path& file() const { return file_; }

private:
    Database(std::filesystem::path file, std::string vfs, sqlite3* handle)
        : file_(std::move(file)), vfs_(std::move(vfs)), handle_(handle) {}
    [[nodiscard]] Result<void> begin(const char* sql, bool reads);

    std::filesystem::path file_;
    std::string vfs_;
    sqlite3* handle_;
    std::uint64_t generation_ = 0;
    bool begun_ = false;
    bool reads_ = false;
    std::uint64_t moments_ = 0;  ///< Counts begin_read().
};

}  // namespace tickledger
