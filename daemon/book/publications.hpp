// What is told of the series: a row that closed or was corrected, the last closed day, the present flow.
#pragma once

#include <string>
#include <vector>

#include "book/account.hpp"
#include "book/outbox.hpp"
#include "book/row_cache.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/pulse_value.hpp"

namespace tickledger {

/// All methods throw StoreFailure.
class Publications {
public:
    Publications(const CivilZone& zone, Outbox& outbox, RowCache& rows)
        : zone_(zone), outbox_(outbox), rows_(rows) {}

    /// Whether intervals that an entry of this length fell into are published. What a longer one is spread
    /// over would say the same again and again, and nothing that was seen.
    [[nodiscard]] static bool are_intervals_told(Duration longest_entry) {
        return longest_entry <= std::chrono::hours{24};
    }

    /// Closed rows that have changed, by entries of which the longest is this long.
    void correct(const Account& account, const std::vector<ChangedRow>& changed, Duration longest_entry);
    /// The intervals of [from, until); those without data close without a word.
    void close_intervals(Account& account, Span closed);
    /// A closed day: its topic holds the last one only.
    void tell_day(const Account& account, Span day);
    /// The present flow and what the register shows. The account has a last reading.
    void tell_now(Account& account);

private:
    void tell(const Account& account, MeterPublication::Kind kind, std::string payload);
    [[nodiscard]] std::string document_of(const Account& account, Span span, const std::optional<Row>& row);
    [[nodiscard]] std::vector<ValuedTicks> value_row(const Account& account, Span row, std::int64_t ticks);

    const CivilZone& zone_;
    Outbox& outbox_;
    RowCache& rows_;
};

}  // namespace tickledger
