// An SQLite VFS for tests: the default one, with writes and syncs that fail on request.
#pragma once

#include <sqlite3.h>

#include <cstdint>

namespace tickledger {

/// What the VFS "failing" does. There is one for the process; tests reset it.
struct FailingVfs {
    /// This many more writes and syncs succeed; then each one fails with `code`. Negative: all succeed.
    int good_operations = -1;
    int code = SQLITE_FULL;
    /// Writes and syncs since the test set it to 0.
    int operations = 0;
    /// Bytes written since then.
    std::int64_t bytes = 0;

    /// Registers the VFS once and returns its settings.
    static FailingVfs& instance();
    static constexpr const char* name = "failing";
};

}  // namespace tickledger
