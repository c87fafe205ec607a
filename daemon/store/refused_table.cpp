#include "store/refused_table.hpp"

#include <string>
#include <string_view>

#include "tickledger/message.hpp"

namespace tickledger {
namespace {

constexpr std::size_t kept_payload_max_bytes = 1024;

/// Cuts a text to at most `max_bytes`, but not within a character of UTF-8.
std::string_view cut(std::string_view text, std::size_t max_bytes) {
    if (text.size() <= max_bytes) return text;
    std::size_t end = max_bytes;
    while (end > 0 && max_bytes - end < 3 && (static_cast<unsigned char>(text[end]) & 0xC0) == 0x80)
        --end;
    return text.substr(0, end);
}

}  // namespace

#define TOO_MANY "(SELECT id FROM refused WHERE meter = ?1 ORDER BY at_us DESC, id DESC LIMIT -1 OFFSET 1000)"

RefusedTable::RefusedTable(Database& database)
    : database_(database),
      add_(database,
           "INSERT OR IGNORE INTO refused (meter, at_us, reason, topic, payload, text, fingerprint)"
           " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"),
      count_left_out_(database,
                      "INSERT INTO refused_left_out (meter, hour, messages)"
                      " SELECT ?1, at_us / 3600000000, count(*) FROM refused WHERE id IN " TOO_MANY
                      " GROUP BY 2 ON CONFLICT DO UPDATE SET messages = messages + excluded.messages"),
      trim_(database, "DELETE FROM refused WHERE id IN " TOO_MANY) {}

Result<bool> RefusedTable::add(const Refused& refused) {
    auto added = add_.run(refused.meter, refused.at, refused.reason, refused.topic,
                          cut(refused.payload, kept_payload_max_bytes), refused.text,
                          fingerprint(refused.topic + '\n' + refused.payload))
                     .finish();
    if (!added) return tl::unexpected(added.error());
    if (database_.changed_rows() == 0) return false;
    if (auto counted = count_left_out_.run(refused.meter).finish(); !counted)
        return tl::unexpected(counted.error());
    return trim_.run(refused.meter).finish().map([] { return true; });
}

}  // namespace tickledger
