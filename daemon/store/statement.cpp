#include "store/statement.hpp"

#include <cstdio>
#include <cstdlib>

namespace tickledger {

Result<void> Cursor::finish() {
    for (;;) {
        const auto more = next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return {};
    }
}

int Statement::prepare() {
    if (database_.undone()) return SQLITE_ABORT_ROLLBACK;
    // reopen() has finalized the statements that were prepared before it.
    if (generation_ != database_.generation()) statement_ = nullptr;
    if (!statement_) {
        generation_ = database_.generation();
        return sqlite3_prepare_v3(database_.handle(), sql_, -1, SQLITE_PREPARE_PERSISTENT, &statement_,
                                  nullptr);
    }
    if (sqlite3_stmt_busy(statement_)) {
        // Resetting it would silently end the other loop over its rows.
        std::fprintf(stderr, "A ledger statement was run again while its rows were still being read: %s\n",
                     sql_);
        std::abort();
    }
    return SQLITE_OK;
}

}  // namespace tickledger
