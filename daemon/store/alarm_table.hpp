// Alarms in SQLite, and the times for which an alarm could not be decided.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "store/ledger.hpp"
#include "store/statement.hpp"

namespace tickledger {

/// The columns that alarm_of() reads. They come first in a SELECT.
#define ALARM_COLUMNS                                                        \
    "a.id, a.kind, a.state, a.raised_us, a.cleared_us, a.evidence, a.text, " \
    "a.acknowledged_us, a.shelved_until_us"
inline constexpr int alarm_column_count = 9;
[[nodiscard]] Result<Alarm> alarm_of(const Cursor& cursor);

/// The alarm methods of Ledger, which documents them.
class AlarmTable {
public:
    explicit AlarmTable(Database& database);

    [[nodiscard]] Result<std::int64_t> put(MeterKey meter, const Alarm& alarm);
    [[nodiscard]] Result<std::vector<Alarm>> open(MeterKey meter);
    [[nodiscard]] Result<std::optional<Alarm>> last(MeterKey meter, AlarmKind kind,
                                                    std::optional<Instant> raised_at);

    [[nodiscard]] Result<void> add_undecided(MeterKey meter, AlarmKind kind, Span window,
                                             const std::string& text);
    [[nodiscard]] Result<std::vector<Span>> undecided(MeterKey meter, AlarmKind kind, Span span);
    [[nodiscard]] Result<void> remove_undecided(MeterKey meter, AlarmKind kind, Instant from);

private:
    Database& database_;
    Statement add_;
    Statement change_;
    Statement open_;
    Statement last_;
    Statement add_undecided_;
    Statement undecided_;
    Statement remove_undecided_;
};

}  // namespace tickledger
