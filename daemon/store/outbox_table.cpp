#include "store/outbox_table.hpp"

#include <string>

namespace tickledger {

OutboxTable::OutboxTable(Database& database)
    : database_(database),
      queue_(database,
             "INSERT OR REPLACE INTO outbox (id, topic, payload, retained) VALUES (?1, ?2, ?3, ?4)"),
      after_(database, "SELECT id, topic, payload, retained FROM outbox WHERE id > ?1 ORDER BY id LIMIT ?2"),
      remove_(database, "DELETE FROM outbox WHERE id = ?1") {}

Result<void> OutboxTable::prepare() {
    return database_.integer("SELECT max(id) FROM outbox").map([&](std::int64_t last) {
        next_id_ = last + 1;
    });
}

Result<void> OutboxTable::queue(const Outgoing& outgoing) {
    return queue_.run(next_id_++, outgoing.topic, outgoing.payload, outgoing.retained).finish();
}

Result<std::vector<Outgoing>> OutboxTable::after(std::int64_t id, int limit) {
    Cursor cursor = after_.run(id, limit);
    return rows_of(cursor, [](const Cursor& row) {
        return Outgoing{.id = row.column<std::int64_t>(0),
                        .topic = row.column<std::string>(1),
                        .payload = row.column<std::string>(2),
                        .retained = row.column<bool>(3)};
    });
}

Result<void> OutboxTable::remove(std::int64_t id) {
    return remove_.run(id).finish();
}

}  // namespace tickledger
