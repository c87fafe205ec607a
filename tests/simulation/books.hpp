// A whole ledger, read from outside: all the data from which the daemon answers.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/entry.hpp"
#include "tickledger/result.hpp"

namespace tickledger::simulation {

/// The entry as text for a report.
[[nodiscard]] std::string words(const Entry& entry);

/// One meter's part of it.
struct MeterBooks {
    std::int64_t key = 0;
    std::string id;
    std::string state;
    std::vector<Entry> entries;
    /// Sums over the rows of each step, finest first.
    std::vector<std::int64_t> row_ticks;
    struct Refused {
        int reason = 0;
        std::string payload;
    };
    std::vector<Refused> refused;
};

/// The rows of all tables that answers come from, in a fixed order: entries, rows, boots, gaps, refused
/// messages, alarms, undecided nights and each meter's state. The outbox, the place in the log and the counts
/// of messages are left out: they may differ between runs that give the same answers.
class Books {
public:
    /// Opens the file through an SQLite VFS; nothing else may have it open.
    [[nodiscard]] static Result<Books> read(const std::string& vfs, const std::string& file);

    [[nodiscard]] const std::vector<MeterBooks>& meters() const { return meters_; }
    /// Every row of every table, in a canonical form.
    [[nodiscard]] std::string all_rows() const;

    /// One line for each unusual row (entries other than plain measured ones, alarms, gaps, refused
    /// messages), and a fingerprint of each whole table.
    [[nodiscard]] std::vector<std::string> told() const;

    /// The first row in which two ledgers differ, as text; nothing if they are equal.
    [[nodiscard]] static std::optional<std::string> difference(const Books& a, const Books& b);

private:
    struct Table {
        std::string name;
        std::string bytes;
        std::vector<std::size_t> row_ends;

        [[nodiscard]] std::string row(std::size_t index) const;
    };

    std::vector<Table> tables_;
    std::vector<MeterBooks> meters_;
};

}  // namespace tickledger::simulation
