#include "store/alarm_table.hpp"

namespace tickledger {

Result<Alarm> alarm_of(const Cursor& cursor) {
    const auto kind = cursor.column(1, static_cast<AlarmKind>(alarm_kind_count - 1));
    if (!kind) return tl::unexpected(kind.error());
    const auto state = cursor.column(2, AlarmState::shelved);
    if (!state) return tl::unexpected(state.error());
    Alarm alarm;
    alarm.id = cursor.column<std::int64_t>(0);
    alarm.kind = *kind;
    alarm.state = *state;
    alarm.raised_at = cursor.column<Instant>(3);
    alarm.cleared_at = cursor.column<std::optional<Instant>>(4);
    alarm.evidence = cursor.column<std::string>(5);
    alarm.text = cursor.column<std::string>(6);
    alarm.acknowledged_at = cursor.column<std::optional<Instant>>(7);
    alarm.shelved_until = cursor.column<std::optional<Instant>>(8);
    return alarm;
}

AlarmTable::AlarmTable(Database& database)
    : database_(database),
      add_(database,
           "INSERT INTO alarm (meter, kind, state, raised_us, cleared_us, evidence, text,"
           " acknowledged_us, shelved_until_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"),
      change_(database,
              "UPDATE alarm SET meter = ?1, kind = ?2, state = ?3, raised_us = ?4, cleared_us = ?5,"
              " evidence = ?6, text = ?7, acknowledged_us = ?8, shelved_until_us = ?9 WHERE id = ?10"),
      open_(database,
            "SELECT " ALARM_COLUMNS
            " FROM alarm AS a WHERE a.meter = ?1 AND (a.cleared_us IS NULL OR a.state = 4) ORDER BY a.id"),
      last_(database, "SELECT " ALARM_COLUMNS
                      " FROM alarm AS a WHERE a.meter = ?1 AND a.kind = ?2"
                      " AND (?3 IS NULL OR a.raised_us = ?3) ORDER BY a.id DESC LIMIT 1"),
      add_undecided_(database,
                     "INSERT OR REPLACE INTO undecided (meter, kind, from_us, to_us, text)"
                     " VALUES (?1, ?2, ?3, ?4, ?5)"),
      undecided_(database,
                 "SELECT from_us, to_us FROM undecided WHERE meter = ?1 AND kind = ?2 AND from_us <= ?4"
                 " AND to_us >= ?3 ORDER BY from_us"),
      remove_undecided_(database, "DELETE FROM undecided WHERE meter = ?1 AND kind = ?2 AND from_us = ?3") {}

Result<std::int64_t> AlarmTable::put(MeterKey meter, const Alarm& alarm) {
    if (alarm.id == 0) {
        return add_
            .run(meter, alarm.kind, alarm.state, alarm.raised_at, alarm.cleared_at, alarm.evidence,
                 alarm.text, alarm.acknowledged_at, alarm.shelved_until)
            .finish()
            .map([&] { return database_.last_row_id(); });
    }
    auto changed = change_
                       .run(meter, alarm.kind, alarm.state, alarm.raised_at, alarm.cleared_at, alarm.evidence,
                            alarm.text, alarm.acknowledged_at, alarm.shelved_until, alarm.id)
                       .finish();
    if (!changed) return tl::unexpected(changed.error());
    if (database_.changed_rows() == 0)
        return tl::unexpected(database_.damaged("it lacks alarm " + std::to_string(alarm.id)));
    return alarm.id;
}

Result<std::vector<Alarm>> AlarmTable::open(MeterKey meter) {
    Cursor cursor = open_.run(meter);
    return rows_of(cursor, alarm_of);
}

Result<std::optional<Alarm>> AlarmTable::last(MeterKey meter, AlarmKind kind,
                                              std::optional<Instant> raised_at) {
    Cursor cursor = last_.run(meter, kind, raised_at);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    return alarm_of(cursor).map([](Alarm alarm) { return std::optional(std::move(alarm)); });
}

Result<void> AlarmTable::add_undecided(MeterKey meter, AlarmKind kind, Span window, const std::string& text) {
    return add_undecided_.run(meter, kind, window.from, window.to, text).finish();
}

Result<std::vector<Span>> AlarmTable::undecided(MeterKey meter, AlarmKind kind, Span span) {
    Cursor cursor = undecided_.run(meter, kind, span.from, span.to);
    return rows_of(cursor, [](const Cursor& row) {
        return Span{row.column<Instant>(0), row.column<Instant>(1)};
    });
}

Result<void> AlarmTable::remove_undecided(MeterKey meter, AlarmKind kind, Instant from) {
    return remove_undecided_.run(meter, kind, from).finish();
}

}  // namespace tickledger
