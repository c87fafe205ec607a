// Several entries of one meter as one row of the table `entry_group`: the encoding of its bytes.
// docs/ledger-format.md describes the format for those who read it without this program.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "store/numbered_entry.hpp"
#include "tickledger/entry.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A group under construction. Its entries are measured, have a length, end on one UTC day, and follow one
/// another without overlapping.
class EntryGroup {
public:
    /// Whether any group can hold the entry.
    [[nodiscard]] static bool suits(const Entry& entry);
    /// Whether the entry can follow those in this group. Precondition: suits(entry).
    [[nodiscard]] bool takes(const Entry& entry) const;
    /// Precondition: takes(entry).
    void add(const Entry& entry);

    [[nodiscard]] std::size_t size() const { return size_; }
    /// The group holds as much as one row should.
    [[nodiscard]] bool is_full() const;
    /// Precondition: it is not empty.
    [[nodiscard]] const Entry& last() const { return last_; }
    [[nodiscard]] std::string_view block() const { return block_; }

private:
    std::string block_;
    Entry last_;
    std::size_t size_ = 0;
};

/// Reads any bytes. `to` is the end of the group's last entry. Fails with what is wrong, as half a sentence:
/// "it ends within an entry".
[[nodiscard]] Result<std::vector<NumberedEntry>> entries_of_group(std::string_view block, Instant to);

}  // namespace tickledger
