// Statements of a connection, prepared once, and their rows as C++ values.
#pragma once

#include <sqlite3.h>

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <type_traits>
#include <utility>
#include <vector>

#include "store/database.hpp"
#include "tickledger/check.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// Bytes that are not text, for a BLOB.
struct Bytes {
    std::string_view value;
};

/// The rows of a running statement, one after the other. The destructor ends the run and releases the values.
class Cursor {
public:
    Cursor(Database& database, sqlite3_stmt* statement, int code)
        : database_(database), statement_(statement), code_(code) {}
    ~Cursor() {
        if (!statement_) return;  // It could not be prepared.
        sqlite3_reset(statement_);
        sqlite3_clear_bindings(statement_);
    }
    Cursor(const Cursor&) = delete;
    Cursor& operator=(const Cursor&) = delete;

    /// Goes to the next row. False: there is none.
    [[nodiscard]] Result<bool> next() {
        if (code_ == SQLITE_OK || code_ == SQLITE_ROW) code_ = sqlite3_step(statement_);
        if (code_ == SQLITE_ROW) return true;
        if (code_ == SQLITE_DONE) return false;
        return tl::unexpected(database_.error(code_));
    }
    /// Runs to the end.
    [[nodiscard]] Result<void> finish();

    /// A column of the current row. A string_view is valid until the next row. Unsigned 64-bit numbers are
    /// stored bit for bit as signed ones.
    template <typename T>
    [[nodiscard]] T column(int index) const;
    /// An enumeration with values from 0 to `last`. Another number means a damaged file.
    template <typename Enumeration>
    [[nodiscard]] Result<Enumeration> column(int index, Enumeration last) const {
        const auto value = sqlite3_column_int64(statement_, index);
        if (value < 0 || value > static_cast<std::int64_t>(last)) {
            return tl::unexpected(
                database_.damaged("it holds the unknown kind or state " + std::to_string(value)));
        }
        return static_cast<Enumeration>(value);
    }

private:
    Database& database_;
    sqlite3_stmt* statement_;
    int code_;
};

/// One SQL statement, prepared when it is first run, and kept.
class Statement {
public:
    /// `sql` must outlive the statement: a literal.
    Statement(Database& database, const char* sql) : database_(database), sql_(sql) {}
    ~Statement() {
        if (generation_ == database_.generation()) sqlite3_finalize(statement_);
    }
    Statement(const Statement&) = delete;
    Statement& operator=(const Statement&) = delete;

    /// Gives ?1, ?2, … their values and starts the statement. The Cursor reports failures. Precondition: no
    /// other Cursor of this statement is alive.
    template <typename... Values>
    [[nodiscard]] Cursor run(const Values&... values) {
        int code = prepare();
        TICKLEDGER_CHECK(code != SQLITE_OK || sqlite3_stmt_busy(statement_) == 0,
                         "a statement has one cursor at a time");
        int index = 0;
        ((code = code == SQLITE_OK ? bind(++index, values) : code), ...);
        return {database_, statement_, code};
    }

private:
    [[nodiscard]] int prepare();
    template <typename T>
    [[nodiscard]] int bind(int index, const T& value);

    Database& database_;
    const char* sql_;
    sqlite3_stmt* statement_ = nullptr;
    std::uint64_t generation_ = 0;  ///< Of the connection when it was prepared.
};

template <typename T>
inline constexpr bool is_optional = false;
template <typename T>
inline constexpr bool is_optional<std::optional<T>> = true;

/// T for Result<T>; for any other T, T itself.
template <typename T>
struct ValueOfResult {
    using type = T;
};
template <typename T>
struct ValueOfResult<Result<T>> {
    using type = T;
};
template <typename T>
using value_of_result = typename ValueOfResult<T>::type;

template <typename T>
T Cursor::column(int index) const {
    if constexpr (is_optional<T>) {
        if (sqlite3_column_type(statement_, index) == SQLITE_NULL) return std::nullopt;
        return column<typename T::value_type>(index);
    } else if constexpr (std::is_same_v<T, std::string> || std::is_same_v<T, std::string_view>) {
        const auto* bytes = static_cast<const char*>(sqlite3_column_blob(statement_, index));
        return bytes ? T(bytes, static_cast<std::size_t>(sqlite3_column_bytes(statement_, index))) : T();
    } else if constexpr (std::is_same_v<T, Instant>) {
        return instant_of(sqlite3_column_int64(statement_, index));
    } else if constexpr (std::is_same_v<T, Duration>) {
        return Duration{sqlite3_column_int64(statement_, index)};
    } else if constexpr (std::is_same_v<T, bool>) {
        return sqlite3_column_int64(statement_, index) != 0;
    } else {
        static_assert(sizeof(T) == sizeof(std::int64_t) && std::is_integral_v<T>);
        return static_cast<T>(sqlite3_column_int64(statement_, index));
    }
}

/// Applies `read(cursor)`, which returns a value or a Result of one, to each remaining row. The first failure
/// ends it.
template <typename Read>
[[nodiscard]] auto rows_of(Cursor& cursor, Read read) {
    using Value = value_of_result<decltype(read(cursor))>;
    std::vector<Value> rows;
    for (;;) {
        const auto more = cursor.next();
        if (!more) return Result<std::vector<Value>>(tl::unexpected(more.error()));
        if (!*more) return Result<std::vector<Value>>(std::move(rows));
        if constexpr (std::is_same_v<decltype(read(cursor)), Result<Value>>) {
            auto value = read(cursor);
            if (!value) return Result<std::vector<Value>>(tl::unexpected(value.error()));
            rows.push_back(std::move(*value));
        } else {
            rows.push_back(read(cursor));
        }
    }
}

template <typename T>
int Statement::bind(int index, const T& value) {
    if constexpr (is_optional<T>) {
        return value ? bind(index, *value) : sqlite3_bind_null(statement_, index);
    } else if constexpr (std::is_same_v<T, Bytes>) {
        return sqlite3_bind_blob64(statement_, index, value.value.data(), value.value.size(),
                                   SQLITE_TRANSIENT);
    } else if constexpr (std::is_convertible_v<T, std::string_view>) {
        const std::string_view text = value;
        return sqlite3_bind_text64(statement_, index, text.data() ? text.data() : "", text.size(),
                                   SQLITE_TRANSIENT, SQLITE_UTF8);
    } else if constexpr (std::is_same_v<T, Instant>) {
        return sqlite3_bind_int64(statement_, index, microseconds_of(value));
    } else if constexpr (std::is_same_v<T, Duration>) {
        return sqlite3_bind_int64(statement_, index, value.count());
    } else {
        static_assert(std::is_integral_v<T> || std::is_enum_v<T>);
        return sqlite3_bind_int64(statement_, index, static_cast<std::int64_t>(value));
    }
}

}  // namespace tickledger
