// A decimal digit, whatever the locale.
#pragma once

namespace tickledger {

[[nodiscard]] constexpr bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

}  // namespace tickledger
