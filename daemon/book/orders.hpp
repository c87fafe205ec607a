// What the calls write into the message log as instructions, and how it is read back: `do`, `meter` and the
// rest.
#pragma once

#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "book/register_rules.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

inline constexpr std::string_view order_read_register = "read-register";
inline constexpr std::string_view order_take_back_reading = "take-back-reading";
inline constexpr std::string_view order_set_pulse_value = "set-pulse-value";

[[nodiscard]] std::string order_to_read(const std::string& meter, const SaidReading& said);
[[nodiscard]] std::string order_to_take_back(const std::string& meter, Instant reading_at);
[[nodiscard]] std::string order_to_set(const std::string& meter, Instant from, Ratio pulse_value_l);

/// A member of an order; nothing where it is not there or is of another type.
[[nodiscard]] std::optional<Instant> instant_in(const nlohmann::json& order, const char* name);
[[nodiscard]] std::optional<std::int64_t> whole_in(const nlohmann::json& order, const char* name);
[[nodiscard]] std::string text_in(const nlohmann::json& order, const char* name);
[[nodiscard]] bool flag_in(const nlohmann::json& order, const char* name);

}  // namespace tickledger
