// Publications that wait for the broker, in SQLite.
#pragma once

#include <cstdint>
#include <vector>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

class OutboxTable {
public:
    explicit OutboxTable(Database& database);
    /// Finds the first free number. Call it once, before queue().
    [[nodiscard]] Result<void> prepare();

    /// A retained one replaces an unsent one of the same topic.
    [[nodiscard]] Result<void> queue(const Outgoing& outgoing);
    [[nodiscard]] Result<std::vector<Outgoing>> after(std::int64_t id, int limit);
    [[nodiscard]] Result<void> remove(std::int64_t id);

private:
    Database& database_;
    Statement queue_;
    Statement after_;
    Statement remove_;
    /// No id is given out twice in the life of the process, not even after a row was replaced or rolled back.
    /// Otherwise an acknowledgement that comes for an old id would remove what was queued after it. SQLite's
    /// AUTOINCREMENT would guarantee the same, but writes one more page per commit.
    std::int64_t next_id_ = 1;
};

}  // namespace tickledger
