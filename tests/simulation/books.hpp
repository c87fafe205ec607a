// A whole ledger, read from outside: everything that answers are made of.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/entry.hpp"
#include "tickledger/result.hpp"

namespace tickledger::simulation {

/// The entry for a report.
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

/// The rows of all tables that are answers, in an order of their own: entries, rows, boots, gaps, refused
/// messages, alarms, undecided nights and what is remembered of each meter. Not the outbox, the place in the
/// log and the counts of messages, which may differ between runs that give the same answers.
class Books {
public:
    /// Opens the file through an SQLite VFS; nothing else may have it open.
    [[nodiscard]] static Result<Books> read(const std::string& vfs, const std::string& file);

    [[nodiscard]] const std::vector<MeterBooks>& meters() const { return meters_; }
    /// Every row of every table, in a form of its own.
    [[nodiscard]] std::string all_rows() const;

    /// What is out of the common as lines (entries that are not plain measured ones, alarms, gaps, what
    /// was refused), and each table whole as a fingerprint.
    [[nodiscard]] std::vector<std::string> told() const;

    /// The first row in which two ledgers differ, in words; nothing where they are equal.
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
