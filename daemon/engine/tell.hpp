// Messages to the operator: a level and sentences.
#pragma once

#include <functional>
#include <string>

namespace tickledger {

enum class Level : unsigned char { error, warning, notice, info };

/// Where these messages go: the journal, standard error or a test.
using Tell = std::function<void(Level, const std::string&)>;

}  // namespace tickledger
