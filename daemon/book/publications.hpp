// Publications about the series: a row that closed or was corrected, the last closed day, the present flow.
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

    /// Whether intervals are published after an entry of this length changed them. A longer entry is spread
    /// evenly over many intervals, and none of them was observed.
    [[nodiscard]] static bool are_intervals_told(Duration longest_entry) {
        return longest_entry <= std::chrono::hours{24};
    }

    /// Notes the closed rows that have changed. `longest_entry`: the length of the longest entry that changed
    /// them. A row that changes several times in a batch is published once.
    void correct(const Account& account, const std::vector<ChangedRow>& changed, Duration longest_entry);
    /// Publishes the noted rows as they are now. Call it at the end of the batch.
    void tell_corrections();
    /// Drops what was noted, after a batch was rolled back. The accounts no longer exist.
    void forget();
    /// Publishes the intervals of `closed` that hold data.
    void close_intervals(Account& account, Span closed);
    /// Publishes a closed day; the topic holds only the last one.
    void tell_day(const Account& account, Span day);
    /// A meter's `now` is published at most once in this time. If messages come faster, most publications
    /// would only be replaced by the next.
    static constexpr Duration now_every = std::chrono::seconds{5};
    /// Publishes `now` if the account has news and its turn has come at `moment`. If it must wait, returns
    /// when its turn comes.
    [[nodiscard]] std::optional<Instant> tell_now_in_turn(Account& account, std::optional<Instant> moment);
    /// Publishes the present flow and what the register shows. Precondition: the account has a last reading.
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
    std::map<MeterKey, Corrected> days_;  ///< A later day that closes takes its place.
};

}  // namespace tickledger
