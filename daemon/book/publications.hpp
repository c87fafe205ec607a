// What is told of the series: a row that closed or was corrected, the last closed day, the present flow.
#pragma once

#include <map>
#include <optional>
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

    /// Whether intervals are published when an entry of this length changed them. A longer entry is spread
    /// evenly over many intervals, and none of them was observed.
    [[nodiscard]] static bool are_intervals_told(Duration longest_entry) {
        return longest_entry <= std::chrono::hours{24};
    }

    /// Notes closed rows that have changed, by entries of which the longest is this long. However often a
    /// row changes in a batch, it is told once.
    void correct(const Account& account, const std::vector<ChangedRow>& changed, Duration longest_entry);
    /// What was noted since the last call, as it is now: at the end of the batch.
    void tell_corrections();
    /// Forgets what was noted, after a batch was rolled back; the accounts that there were are gone.
    void forget();
    /// Publishes the intervals of `closed` that hold data.
    void close_intervals(Account& account, Span closed);
    /// Publishes a closed day; the topic holds only the last one.
    void tell_day(const Account& account, Span day);
    /// A meter's `now` is told at most once in so long: where messages come faster, most would only be
    /// replaced by the next.
    static constexpr Duration now_every = std::chrono::seconds{5};
    /// Tells `now` where there is news of the account and its turn has come at this moment; else returns when
    /// it comes.
    [[nodiscard]] std::optional<Instant> tell_now_in_turn(Account& account, std::optional<Instant> moment);
    /// The present flow and what the register shows. The account has a last reading.
    void tell_now(Account& account);

private:
    struct Corrected {
        const Account* account = nullptr;
        Span span;
    };

    void tell(const Account& account, MeterPublication::Kind kind, std::string payload);
    [[nodiscard]] std::string document_of(const Account& account, Span span, const std::optional<Row>& row);
    [[nodiscard]] std::vector<ValuedTicks> value_row(const Account& account, Span row, std::int64_t ticks);

    const CivilZone& zone_;
    Outbox& outbox_;
    RowCache& rows_;
    std::map<RowKey, Corrected> intervals_;
    std::map<MeterKey, Corrected> days_;  ///< A day that closes after it takes its place.
};

}  // namespace tickledger
