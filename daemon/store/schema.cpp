#include "store/schema.hpp"

#include <array>
#include <string>

namespace tickledger {
namespace {

/// "TcLd", in the file's header. It tells a ledger from other programs' databases.
constexpr std::int64_t application_id = 0x54634c64;

constexpr const char* version_1 = R"sql(
CREATE TABLE meter (
    key INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    state TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE entry (
    to_us INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    length_us INTEGER NOT NULL,
    n INTEGER NOT NULL,
    ticks INTEGER NOT NULL,
    kind INTEGER NOT NULL CHECK (kind BETWEEN 0 AND 4),
    placed INTEGER NOT NULL,
    unseen_max INTEGER,
    begin_count INTEGER,
    end_count INTEGER NOT NULL,
    end_boot INTEGER NOT NULL,
    end_seq INTEGER NOT NULL,
    PRIMARY KEY (to_us, meter, length_us DESC, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX entry_hole ON entry (meter, end_boot, to_us, length_us DESC, n, begin_count, end_seq) WHERE kind = 3;
CREATE INDEX entry_adjustment ON entry (meter, to_us) WHERE kind = 4;

CREATE TABLE entry_day (
    day INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    PRIMARY KEY (day, meter)
) STRICT, WITHOUT ROWID;

CREATE TABLE usage_row (
    step INTEGER NOT NULL,
    start_us INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    ticks INTEGER NOT NULL,
    covered_us INTEGER NOT NULL,
    spread_ticks INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    PRIMARY KEY (step, start_us, meter)
) STRICT, WITHOUT ROWID;

CREATE TABLE boot (
    meter INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    first_seq INTEGER,
    last_seq INTEGER,
    PRIMARY KEY (meter, boot)
) STRICT, WITHOUT ROWID;

CREATE TABLE hole (
    meter INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    PRIMARY KEY (meter, boot, first_seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE refused (
    id INTEGER PRIMARY KEY,
    meter INTEGER NOT NULL,
    at_us INTEGER NOT NULL,
    reason INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    text TEXT NOT NULL,
    fingerprint INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX refused_once ON refused (meter, fingerprint);
CREATE INDEX refused_in_time ON refused (meter, at_us);

CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    meter INTEGER NOT NULL,
    kind INTEGER NOT NULL,
    state INTEGER NOT NULL,
    raised_us INTEGER NOT NULL,
    cleared_us INTEGER,
    evidence TEXT NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX alarm_active ON alarm (meter) WHERE cleared_us IS NULL;

CREATE TABLE undecided (
    meter INTEGER NOT NULL,
    kind INTEGER NOT NULL,
    from_us INTEGER NOT NULL,
    to_us INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (meter, kind, from_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    retained INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX outbox_retained ON outbox (topic) WHERE retained;

CREATE TABLE fact (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
)sql";

constexpr const char* version_2 = R"sql(
CREATE TABLE register_reading (
    meter INTEGER NOT NULL,
    at_us INTEGER NOT NULL,
    register_ul INTEGER NOT NULL,
    given_to_ul INTEGER NOT NULL,
    turns INTEGER NOT NULL,
    starts INTEGER NOT NULL,
    ticks_before INTEGER NOT NULL,
    ticks_within INTEGER NOT NULL,
    adjusted_from_us INTEGER NOT NULL,
    adjustment_ticks INTEGER NOT NULL,
    PRIMARY KEY (meter, at_us)
) STRICT, WITHOUT ROWID;
CREATE INDEX entry_unseen ON entry (meter, to_us) WHERE kind BETWEEN 1 AND 3;
)sql";

/// A shelved alarm is kept at hand although its condition has ended, because the condition may return
/// meanwhile.
constexpr const char* version_3 = R"sql(
ALTER TABLE alarm ADD COLUMN acknowledged_us INTEGER;
ALTER TABLE alarm ADD COLUMN shelved_until_us INTEGER;
DROP INDEX alarm_active;
CREATE INDEX alarm_open ON alarm (meter) WHERE cleared_us IS NULL OR state = 4;
)sql";

/// One index of entries that are not measured replaces three, which were opened with each insertion.
///
/// The tables of packed days have row numbers, unlike the others. A block is longer than the part of a row
/// that a table without row numbers keeps in a page. The rest of each block would take a page of its own.
constexpr const char* version_4 = R"sql(
DROP INDEX entry_hole;
DROP INDEX entry_adjustment;
DROP INDEX entry_unseen;
CREATE INDEX entry_special ON entry (meter, kind, to_us, length_us DESC, n) WHERE kind <> 0;
CREATE TABLE packed_day (
    day INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    block BLOB NOT NULL,
    PRIMARY KEY (day, meter)
) STRICT;
CREATE TABLE packed_hours (
    day INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    block BLOB NOT NULL,
    PRIMARY KEY (day, meter)
) STRICT;
)sql";

/// Adds the kind `reverse` to the table's condition on kinds. SQLite cannot change a condition in place.
constexpr const char* version_5 = R"sql(
CREATE TABLE entry_of_version_5 (
    to_us INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    length_us INTEGER NOT NULL,
    n INTEGER NOT NULL,
    ticks INTEGER NOT NULL,
    kind INTEGER NOT NULL CHECK (kind BETWEEN 0 AND 5),
    placed INTEGER NOT NULL,
    unseen_max INTEGER,
    begin_count INTEGER,
    end_count INTEGER NOT NULL,
    end_boot INTEGER NOT NULL,
    end_seq INTEGER NOT NULL,
    PRIMARY KEY (to_us, meter, length_us DESC, n)
) STRICT, WITHOUT ROWID;
INSERT INTO entry_of_version_5 SELECT to_us, meter, length_us, n, ticks, kind, placed, unseen_max, begin_count,
    end_count, end_boot, end_seq FROM entry ORDER BY to_us, meter, length_us DESC, n;
DROP TABLE entry;
ALTER TABLE entry_of_version_5 RENAME TO entry;
CREATE INDEX entry_special ON entry (meter, kind, to_us, length_us DESC, n) WHERE kind <> 0;
)sql";

/// Only the newest refused messages are kept. This table counts the others.
constexpr const char* version_6 = R"sql(
CREATE TABLE refused_left_out (
    meter INTEGER NOT NULL,
    hour INTEGER NOT NULL,
    messages INTEGER NOT NULL,
    PRIMARY KEY (meter, hour)
) STRICT, WITHOUT ROWID;
)sql";

/// Undecided nights that follow one another become one row. (Consecutive nights begin 23 to 25 hours apart,
/// nights with one between them at least 47.)
constexpr const char* version_7 = R"sql(
CREATE TABLE undecided_joined AS
SELECT meter, min(from_us) AS from_us, max(to_us) AS to_us, count(*) AS nights, max(text) AS text FROM (
    SELECT meter, from_us, to_us, text, sum(is_first) OVER (PARTITION BY meter ORDER BY from_us) AS part FROM (
        SELECT meter, from_us, to_us, text,
            coalesce(from_us - lag(from_us) OVER (PARTITION BY meter ORDER BY from_us) > 36 * 3600000000, 1)
                AS is_first
        FROM undecided WHERE kind = 0))
GROUP BY meter, part;
DELETE FROM undecided WHERE kind = 0;
INSERT INTO undecided (meter, kind, from_us, to_us, text)
SELECT j.meter, 0, j.from_us, j.to_us,
    CASE WHEN j.nights = 1 THEN j.text ELSE 'Whether water ran all night at ' || m.id || ' cannot be told for ' ||
        j.nights || ' nights one after the other: there were gaps between the messages, or messages too far apart.'
    END
FROM undecided_joined AS j JOIN meter AS m ON m.key = j.meter;
DROP TABLE undecided_joined;
)sql";

/// What people told about the time before a meter's first reading.
constexpr const char* version_8 = R"sql(
CREATE TABLE history (
    meter INTEGER NOT NULL,
    to_us INTEGER NOT NULL,
    from_us INTEGER NOT NULL,
    ticks INTEGER NOT NULL,
    import TEXT NOT NULL,
    PRIMARY KEY (meter, to_us)
) STRICT, WITHOUT ROWID;
)sql";

/// The memory of a meter becomes a record of bytes. JSON text that is there stays until the meter is next
/// heard, and readers know both. SQLite cannot change a column's type in place.
constexpr const char* version_9 = R"sql(
CREATE TABLE meter_of_version_9 (
    key INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    state BLOB NOT NULL DEFAULT x''
) STRICT;
INSERT INTO meter_of_version_9 SELECT key, id, CAST(state AS BLOB) FROM meter ORDER BY key;
DROP TABLE meter;
ALTER TABLE meter_of_version_9 RENAME TO meter;
)sql";

/// Entries of one meter from one transaction, as one row.
constexpr const char* version_10 = R"sql(
CREATE TABLE entry_group (
    to_us INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    block BLOB NOT NULL,
    PRIMARY KEY (to_us, meter)
) STRICT, WITHOUT ROWID;
)sql";

/// The days of quarters of a year that are over. The table has row numbers, like those of packed days.
constexpr const char* version_11 = R"sql(
CREATE TABLE packed_quarter (
    day INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    days INTEGER NOT NULL,
    block BLOB NOT NULL,
    PRIMARY KEY (day, meter)
) STRICT;
)sql";

constexpr std::array steps_of_this_program = {version_1, version_2,  version_3, version_4,
                                              version_5, version_6,  version_7, version_8,
                                              version_9, version_10, version_11};

tl::unexpected<Error> foreign(const Database& database) {
    return fail("The file " + database.file().string() +
                " is a database of another program, not a ledger; it was left as it is. "
                "Name another store.directory, or move the file away.");
}

tl::unexpected<Error> newer(const Database& database, std::int64_t version, std::size_t known) {
    return fail(
        "The ledger " + database.file().string() + " was written by a newer program (schema version " +
        std::to_string(version) + ", this one knows up to " + std::to_string(known) +
        "); it was left as it is. Install the newer program again, or put back a backup from before it.");
}

Result<void> run_step(Database& database, const char* step, std::size_t version_after) {
    if (auto begun = database.begin_write(); !begun) return begun;
    const std::string mark = "PRAGMA user_version = " + std::to_string(version_after) +
                             "; PRAGMA application_id = " + std::to_string(application_id);
    auto done = database.execute(step).and_then([&] { return database.execute(mark.c_str()); }).and_then([&] {
        return database.commit();
    });
    if (!done) database.roll_back();
    return done;
}

}  // namespace

std::span<const char* const> schema_steps() {
    return steps_of_this_program;
}

Result<void> bring_up_to_date(Database& database, std::span<const char* const> steps) {
    const auto version = database.integer("PRAGMA user_version");
    if (!version) return tl::unexpected(version.error());
    const auto id = database.integer("PRAGMA application_id");
    if (!id) return tl::unexpected(id.error());
    const auto objects = database.integer("SELECT count(*) FROM sqlite_schema");
    if (!objects) return tl::unexpected(objects.error());

    const bool is_new = *version == 0 && *id == 0 && *objects == 0;
    if (!is_new && *id != application_id) return foreign(database);
    if (*version < 0 || *version > static_cast<std::int64_t>(steps.size())) {
        return newer(database, *version, steps.size());
    }
    for (auto at = static_cast<std::size_t>(*version); at < steps.size(); ++at) {
        if (auto done = run_step(database, steps[at], at + 1); !done) return done;
    }
    return {};
}

Result<void> expect_up_to_date(Database& database) {
    const auto version = database.integer("PRAGMA user_version");
    if (!version) return tl::unexpected(version.error());
    const auto id = database.integer("PRAGMA application_id");
    if (!id) return tl::unexpected(id.error());
    const auto known = schema_steps().size();

    if (*id == 0 && *version == 0) {
        return fail("The file " + database.file().string() +
                    " holds no ledger yet. The daemon makes it when it starts: start it, and try again.");
    }
    if (*id != application_id) return foreign(database);
    if (*version > static_cast<std::int64_t>(known)) return newer(database, *version, known);
    if (*version < static_cast<std::int64_t>(known)) {
        return fail("The ledger " + database.file().string() + " is of an older program (schema version " +
                    std::to_string(*version) + " of " + std::to_string(known) +
                    "). The daemon brings it up to date when it starts: start it, and try again.");
    }
    return {};
}

}  // namespace tickledger
