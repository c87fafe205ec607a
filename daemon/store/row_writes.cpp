#include "store/row_writes.hpp"

#include <tuple>
#include <utility>

namespace tickledger {
namespace {

#define INTO_ROWS                                                                                         \
    "INSERT OR REPLACE INTO usage_row (step, start_us, meter, ticks, covered_us, spread_ticks, revision)" \
    " VALUES "
#define ONE "(?, ?, ?, ?, ?, ?, ?)"

template <typename Waiting>
auto values_of(const Waiting& waiting) {
    const auto& [key, row] = waiting;
    return std::tuple(key.step, key.start, key.meter, row.ticks, row.covered, row.spread_ticks, row.revision);
}

template <typename Waiting, std::size_t size, std::size_t... at>
Result<void> run(Statement& statement, const std::array<Waiting, size>& all, std::index_sequence<at...>) {
    return std::apply([&](const auto&... values) { return statement.run(values...).finish(); },
                      std::tuple_cat(values_of(all[at])...));
}

}  // namespace

RowWrites::RowWrites(Database& database)
    : database_(database),
      put_one_(database, INTO_ROWS ONE),
      put_several_(database, INTO_ROWS ONE "," ONE "," ONE "," ONE "," ONE "," ONE "," ONE "," ONE) {}

Result<void> RowWrites::put(const RowKey& key, const Row& row) {
    waiting_[count_++] = {key, row};
    if (!database_.in_transaction()) return write();
    if (count_ < at_once) return {};
    count_ = 0;
    return run(put_several_, waiting_, std::make_index_sequence<at_once>());
}

Result<void> RowWrites::write() {
    Result<void> done;
    for (std::size_t at = 0; at < count_ && done; ++at)
        done = run(put_one_, std::array{waiting_[at]}, std::make_index_sequence<1>());
    count_ = 0;
    return done;
}

}  // namespace tickledger
