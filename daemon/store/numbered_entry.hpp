// An entry and its place in the order of the entries' key.
#pragma once

#include <cstdint>
#include <tuple>

#include "tickledger/entry.hpp"

namespace tickledger {

struct NumberedEntry {
    Entry entry;
    std::int64_t n = 0;  ///< Its number among those of its span (`entry.n`).
    bool operator==(const NumberedEntry&) const = default;
};

/// Whether `a` comes before `b` in the order of the entries' key, for the same meter.
[[nodiscard]] inline bool comes_before(const NumberedEntry& a, const NumberedEntry& b) {
    return std::tie(a.entry.span.to, a.entry.span.from, a.n) <
           std::tie(b.entry.span.to, b.entry.span.from, b.n);
}

}  // namespace tickledger
