// Splits one answer with the documents of many meters, without changing a byte of them.
#pragma once

#include <string_view>
#include <vector>

namespace tickledger {

/// The documents in the list of an answer like {"meters":[{…},{…}]}, unchanged. They point into the answer.
/// If the answer is cut short, the complete ones are returned.
[[nodiscard]] std::vector<std::string_view> documents_in(std::string_view answer);

}  // namespace tickledger
