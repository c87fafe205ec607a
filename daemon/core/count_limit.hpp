// How large a count can be, for all forms of messages.
#pragma once

#include <cstdint>
#include <string>

#include "tickledger/result.hpp"

namespace tickledger {

/// The first number that is not a count: 2^counter_bits. A counter that never wraps (0 bits) ends at 2^63,
/// the limit of the ledger's columns.
[[nodiscard]] inline std::uint64_t count_limit(int counter_bits) {
    return std::uint64_t{1} << (counter_bits > 0 ? counter_bits : 63);
}

/// The error for a number that is not a count. `field` and `value` are as in the message.
[[nodiscard]] inline Error count_too_large(const std::string& field, const std::string& value,
                                           int counter_bits) {
    const std::string limit = std::to_string(count_limit(counter_bits));
    if (counter_bits == 0)
        return {"The field `" + field + "` is " + value + ": counts from " + limit + " on are not kept."};
    return {"The field `" + field + "` is " + value + ", but a counter of " + std::to_string(counter_bits) +
            " bits wraps at " + limit + ": check `counter_bits`, or whether this is the right field."};
}

}  // namespace tickledger
