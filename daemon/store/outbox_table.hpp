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
    /// Finds where the numbers go on. To be called once, before queue().
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
    /// Never given out twice in the life of the process, not even after a row was replaced or rolled back: a
    /// confirmation that comes for an old id must not remove what was queued after it. SQLite's AUTOINCREMENT
    /// would say the same with one more page written a commit.
    std::int64_t next_id_ = 1;
};

}  // namespace tickledger
