// One answer that holds the documents of many meters, taken apart without changing a byte of them.
#pragma once

#include <string_view>
#include <vector>

namespace tickledger {

/// The documents in the list of an answer like {"meters":[{…},{…}]}, as they came. They live as long as the
/// answer. One that is cut short gives those that are whole.
[[nodiscard]] std::vector<std::string_view> documents_in(std::string_view answer);

}  // namespace tickledger
