#include "simulation/books.hpp"

#include <sqlite3.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <initializer_list>
#include <memory>

#include "store/entry_group.hpp"
#include "store/packed_block.hpp"
#include "tickledger/message.hpp"

namespace tickledger::simulation {

namespace {

struct Question {
    const char* table;
    const char* sql;
};

constexpr std::array questions{
    Question{"entry",
             "SELECT meter, to_us, length_us, n, ticks, kind, placed, unseen_max,"
             " coalesce(begin_count, end_count - ticks), end_count, end_boot, end_seq FROM entry"
             " ORDER BY to_us, meter, length_us DESC, n"},
    Question{"usage_row",
             "SELECT step, start_us, meter, ticks, covered_us, spread_ticks, revision FROM usage_row"
             " ORDER BY step, start_us, meter"},
    Question{"boot", "SELECT meter, boot, first_seq, last_seq FROM boot ORDER BY meter, boot"},
    Question{"hole", "SELECT meter, boot, first_seq, last_seq FROM hole ORDER BY meter, boot, first_seq"},
    Question{"alarm",
             "SELECT meter, kind, state, raised_us, cleared_us, acknowledged_us, shelved_until_us, evidence,"
             " text FROM alarm ORDER BY raised_us, meter, kind"},
    Question{"undecided",
             "SELECT meter, kind, from_us, to_us, text FROM undecided ORDER BY meter, kind, from_us"},
    Question{"refused",
             "SELECT meter, at_us, reason, topic, payload, text FROM refused ORDER BY meter, fingerprint"},
    Question{"register_reading",
             "SELECT meter, at_us, register_ul, given_to_ul, turns, starts, ticks_before, ticks_within,"
             " adjusted_from_us, adjustment_ticks FROM register_reading ORDER BY meter, at_us"},
    Question{"history", "SELECT meter, from_us, to_us, ticks, import FROM history ORDER BY meter, to_us"},
    Question{"meter", "SELECT key, id, state FROM meter ORDER BY key"},
};

/// Temporary tables that hide the file's tables of the same names and also hold packed and grouped rows.
constexpr const char* make_unpacked_tables =
    "PRAGMA temp_store = MEMORY;"
    "CREATE TEMP TABLE entry AS SELECT * FROM main.entry;"
    "CREATE TEMP TABLE usage_row AS SELECT * FROM main.usage_row";
constexpr const char* packed_blocks =
    "SELECT 0, day, meter, block FROM packed_day UNION ALL SELECT 1, day, meter, block FROM packed_hours"
    " UNION ALL SELECT 2, day, meter, block FROM packed_quarter";
constexpr const char* groups = "SELECT to_us, meter, block FROM entry_group";
constexpr const char* insert_entry =
    "INSERT INTO temp.entry (kind, to_us, meter, length_us, n, ticks, placed, unseen_max, begin_count,"
    " end_count, end_boot, end_seq) VALUES (0, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)";
constexpr const char* insert_row =
    "INSERT INTO temp.usage_row (step, start_us, meter, ticks, covered_us, spread_ticks, revision)"
    " VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";

using StatementOf = std::unique_ptr<sqlite3_stmt, int (*)(sqlite3_stmt*)>;

StatementOf prepared(sqlite3* database, const char* sql) {
    sqlite3_stmt* raw = nullptr;
    sqlite3_prepare_v2(database, sql, -1, &raw, nullptr);
    return {raw, sqlite3_finalize};
}

/// Runs an INSERT; a missing number becomes NULL.
void insert(sqlite3_stmt* statement, std::initializer_list<std::optional<std::int64_t>> numbers) {
    int index = 0;
    for (const auto& number : numbers) {
        ++index;
        if (number) {
            sqlite3_bind_int64(statement, index, *number);
        } else {
            sqlite3_bind_null(statement, index);
        }
    }
    sqlite3_step(statement);
    sqlite3_reset(statement);
}

void insert_entries(sqlite3_stmt* into, std::int64_t meter, const std::vector<NumberedEntry>& entries) {
    for (const auto& [entry, n] : entries) {
        std::optional<std::int64_t> unseen_max;
        if (entry.unseen_max) unseen_max = static_cast<std::int64_t>(*entry.unseen_max);
        insert(into, {microseconds_of(entry.span.to), meter, entry.span.length().count(), n, entry.ticks,
                      entry.time_estimated ? 1 : 0, unseen_max, static_cast<std::int64_t>(entry.begin_count),
                      static_cast<std::int64_t>(entry.end.count), static_cast<std::int64_t>(entry.end.boot),
                      static_cast<std::int64_t>(entry.end.seq)});
    }
}

Result<void> unpack_tables(sqlite3* database) {
    sqlite3_exec(database, make_unpacked_tables, nullptr, nullptr, nullptr);
    const auto blocks = prepared(database, packed_blocks);
    const auto entry_into = prepared(database, insert_entry);
    const auto row_into = prepared(database, insert_row);
    if (!blocks || !entry_into || !row_into) return fail("The packed days cannot be read.");
    while (sqlite3_step(blocks.get()) == SQLITE_ROW) {
        const std::int64_t step = sqlite3_column_int64(blocks.get(), 0);
        const std::int64_t meter = sqlite3_column_int64(blocks.get(), 2);
        const auto* bytes = static_cast<const char*>(sqlite3_column_blob(blocks.get(), 3));
        const auto size = static_cast<std::size_t>(sqlite3_column_bytes(blocks.get(), 3));
        const std::int64_t day = sqlite3_column_int64(blocks.get(), 1);
        const auto block = unpack({bytes, size}, step == 2 ? quarter_of(start_of_day(day)) : UtcDays{day});
        if (!block) return fail("A packed day cannot be read: " + block.error().text);
        insert_entries(entry_into.get(), meter, block->entries);
        for (const auto& [start, row] : block->rows) {
            insert(row_into.get(), {step, microseconds_of(start), meter, row.ticks, row.covered.count(),
                                    row.spread_ticks, row.revision});
        }
    }
    const auto grouped = prepared(database, groups);
    if (!grouped) return fail("The groups of entries cannot be read.");
    while (sqlite3_step(grouped.get()) == SQLITE_ROW) {
        const auto* bytes = static_cast<const char*>(sqlite3_column_blob(grouped.get(), 2));
        const auto size = static_cast<std::size_t>(sqlite3_column_bytes(grouped.get(), 2));
        const auto entries =
            entries_of_group({bytes, size}, instant_of(sqlite3_column_int64(grouped.get(), 0)));
        if (!entries) return fail("A group of entries cannot be read: " + entries.error().text);
        insert_entries(entry_into.get(), sqlite3_column_int64(grouped.get(), 1), *entries);
    }
    return {};
}

constexpr char integer_tag = 'i';
constexpr char text_tag = 't';
constexpr char null_tag = '-';

void append_number(std::string& bytes, std::int64_t number) {
    std::array<char, sizeof number> raw;
    std::memcpy(raw.data(), &number, sizeof number);
    bytes.append(raw.data(), raw.size());
}

std::int64_t number_at(const std::string& bytes, std::size_t at) {
    std::int64_t number = 0;
    std::memcpy(&number, bytes.data() + at, sizeof number);
    return number;
}

std::string text_of(sqlite3_stmt* statement, int column) {
    const auto* text = reinterpret_cast<const char*>(sqlite3_column_text(statement, column));
    return {text, static_cast<std::size_t>(sqlite3_column_bytes(statement, column))};
}

void append_column(std::string& bytes, sqlite3_stmt* statement, int column) {
    switch (sqlite3_column_type(statement, column)) {
        case SQLITE_INTEGER:
            bytes += integer_tag;
            append_number(bytes, sqlite3_column_int64(statement, column));
            break;
        case SQLITE_NULL:
            bytes += null_tag;
            break;
        default: {
            const std::string text = text_of(statement, column);
            bytes += text_tag;
            append_number(bytes, static_cast<std::int64_t>(text.size()));
            bytes += text;
        }
    }
}

Entry entry_of(sqlite3_stmt* statement) {
    const auto number = [&](int column) { return sqlite3_column_int64(statement, column); };
    Entry entry;
    entry.span.to = instant_of(number(1));
    entry.span.from = entry.span.to - Duration{number(2)};
    entry.ticks = number(4);
    entry.kind = static_cast<EntryKind>(number(5));
    entry.time_estimated = number(6) != 0;
    if (sqlite3_column_type(statement, 7) != SQLITE_NULL)
        entry.unseen_max = static_cast<std::uint64_t>(number(7));
    entry.begin_count = static_cast<std::uint64_t>(number(8));
    entry.end = {static_cast<std::uint64_t>(number(9)), static_cast<std::uint64_t>(number(10)),
                 static_cast<std::uint64_t>(number(11))};
    return entry;
}

}  // namespace

std::string Books::Table::row(std::size_t index) const {
    if (index >= row_ends.size()) return "(no row)";
    std::string words;
    for (std::size_t at = index == 0 ? 0 : row_ends[index - 1]; at < row_ends[index];) {
        const char tag = bytes[at++];
        if (!words.empty()) words += '|';
        if (tag == null_tag) continue;
        const std::int64_t number = number_at(bytes, at);
        at += sizeof number;
        if (tag == integer_tag) {
            words += std::to_string(number);
        } else {
            words += bytes.substr(at, static_cast<std::size_t>(number));
            at += static_cast<std::size_t>(number);
        }
    }
    return words;
}

std::string words(const Entry& entry) {
    return std::string(name_of(entry.kind)) + " " + format_utc(entry.span.from) + " to " +
           format_utc(entry.span.to) + " " + std::to_string(entry.ticks) + " ticks, counts " +
           std::to_string(entry.begin_count) + " to " + std::to_string(entry.end.count) + ", seq " +
           std::to_string(entry.end.seq) +
           (entry.unseen_max ? ", unseen_max " + std::to_string(*entry.unseen_max) : "") +
           (entry.time_estimated ? ", placed" : "");
}

Result<Books> Books::read(const std::string& vfs, const std::string& file) {
    sqlite3* raw = nullptr;
    const int opened = sqlite3_open_v2(file.c_str(), &raw, SQLITE_OPEN_READWRITE, vfs.c_str());
    const std::unique_ptr<sqlite3, int (*)(sqlite3*)> database(raw, sqlite3_close);
    if (opened != SQLITE_OK) return fail("The ledger cannot be opened for inspection.");
    sqlite3_exec(raw, "PRAGMA locking_mode = EXCLUSIVE", nullptr, nullptr, nullptr);

    if (auto unpacked = unpack_tables(raw); !unpacked) return tl::unexpected(unpacked.error());

    Books books;
    const auto meter_of = [&](std::int64_t key) -> MeterBooks& {
        while (static_cast<std::int64_t>(books.meters_.size()) < key) {
            books.meters_.emplace_back();
            books.meters_.back().key = static_cast<std::int64_t>(books.meters_.size());
        }
        return books.meters_[static_cast<std::size_t>(key - 1)];
    };
    for (const Question& question : questions) {
        const auto statement = prepared(raw, question.sql);
        if (!statement) return fail(std::string("The table ") + question.table + " cannot be read.");
        Table table;
        table.name = question.table;
        while (sqlite3_step(statement.get()) == SQLITE_ROW) {
            const int columns = sqlite3_column_count(statement.get());
            for (int column = 0; column < columns; ++column)
                append_column(table.bytes, statement.get(), column);
            table.row_ends.push_back(table.bytes.size());
            if (table.name == "entry") {
                meter_of(sqlite3_column_int64(statement.get(), 0))
                    .entries.push_back(entry_of(statement.get()));
            } else if (table.name == "usage_row") {
                auto& sums = meter_of(sqlite3_column_int64(statement.get(), 2)).row_ticks;
                sums.resize(5);
                sums[static_cast<std::size_t>(sqlite3_column_int64(statement.get(), 0))] +=
                    sqlite3_column_int64(statement.get(), 3);
            } else if (table.name == "refused") {
                meter_of(sqlite3_column_int64(statement.get(), 0))
                    .refused.push_back({sqlite3_column_int(statement.get(), 2), text_of(statement.get(), 4)});
            } else if (table.name == "meter") {
                MeterBooks& meter = meter_of(sqlite3_column_int64(statement.get(), 0));
                meter.id = text_of(statement.get(), 1);
                meter.state = text_of(statement.get(), 2);
            }
        }
        books.tables_.push_back(std::move(table));
    }
    return books;
}

std::string Books::all_rows() const {
    std::string all;
    for (const Table& table : tables_)
        all += table.name + table.bytes;
    return all;
}

std::vector<std::string> Books::told() const {
    std::vector<std::string> lines;
    for (const MeterBooks& meter : meters_) {
        for (const Entry& entry : meter.entries) {
            if (entry.kind != EntryKind::measured) lines.push_back(meter.id + " " + words(entry));
        }
    }
    for (const Table& table : tables_) {
        const bool is_long = table.name == "entry" || table.name == "usage_row" || table.name == "meter";
        for (std::size_t row = 0; !is_long && row < table.row_ends.size(); ++row)
            lines.push_back(table.name + " " + table.row(row));
        lines.push_back("all " + std::to_string(table.row_ends.size()) + " of " + table.name + ": " +
                        std::to_string(fingerprint(table.bytes)));
    }
    return lines;
}

std::optional<std::string> Books::difference(const Books& a, const Books& b) {
    for (std::size_t i = 0; i < a.tables_.size(); ++i) {
        const Table& left = a.tables_[i];
        const Table& right = b.tables_[i];
        if (left.bytes == right.bytes) continue;
        const std::size_t rows = std::max(left.row_ends.size(), right.row_ends.size());
        for (std::size_t row = 0; row < rows; ++row) {
            const std::string one = left.row(row);
            const std::string other = right.row(row);
            if (one != other)
                return left.name + " row " + std::to_string(row) + ":\n    " + one + "\n    " + other;
        }
    }
    return std::nullopt;
}

}  // namespace tickledger::simulation
