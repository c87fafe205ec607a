// The JSON documents of instructions, with `do`, `meter` and other members: how API calls write them into the
// message log, and how they are read back.
#pragma once

#include <cstdint>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "book/history_rules.hpp"
#include "book/register_rules.hpp"
#include "tickledger/alarm.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

class JsonObject;

inline constexpr std::string_view instruction_read_register = "read-register";
inline constexpr std::string_view instruction_take_back_reading = "take-back-reading";
inline constexpr std::string_view instruction_set_pulse_value = "set-pulse-value";
inline constexpr std::string_view instruction_acknowledge_alarm = "acknowledge-alarm";
inline constexpr std::string_view instruction_unacknowledge_alarm = "unacknowledge-alarm";
inline constexpr std::string_view instruction_shelve_alarm = "shelve-alarm";
inline constexpr std::string_view instruction_unshelve_alarm = "unshelve-alarm";
inline constexpr std::string_view instruction_set_away = "set-away";
inline constexpr std::string_view instruction_import_history = "import-history";
inline constexpr std::string_view instruction_undo_import = "undo-import";
inline constexpr std::string_view instruction_tell_draw = "tell-draw";
inline constexpr std::string_view instruction_forget_draw = "forget-draw";

/// The longest time for which an alarm can be shelved: 31 days. (After a longer time people would have
/// forgotten it.)
inline constexpr std::int64_t shelved_max_s = 31 * 86'400;

/// The beginning of every instruction: `do` and `meter`.
[[nodiscard]] JsonObject instruction(std::string_view what, const std::string& meter);

[[nodiscard]] std::string instruction_to_read(const std::string& meter, const SaidReading& said);
[[nodiscard]] std::string instruction_to_take_back(const std::string& meter, Instant reading_at);
[[nodiscard]] std::string instruction_to_set(const std::string& meter, Instant from, Ratio pulse_value_l);
[[nodiscard]] std::string instruction_to_acknowledge(const std::string& meter, const Alarm& alarm);
[[nodiscard]] std::string instruction_to_unacknowledge(const std::string& meter, const Alarm& alarm);
/// Shelves the alarm for this long, from the moment at which the instruction is booked.
[[nodiscard]] std::string instruction_to_shelve(const std::string& meter, const Alarm& alarm,
                                                std::chrono::seconds for_s);
[[nodiscard]] std::string instruction_to_unshelve(const std::string& meter, const Alarm& alarm);
/// Without `from`: from the moment at which the instruction is booked. Without `to`: until told otherwise.
[[nodiscard]] std::string instruction_to_be_away(const std::string& meter, std::optional<Instant> from,
                                                 std::optional<Instant> to);
[[nodiscard]] std::string instruction_to_be_home(const std::string& meter);

[[nodiscard]] std::string instruction_to_import(const std::string& meter, const std::string& import,
                                                std::span<const HistoryPoint> points);
[[nodiscard]] std::string instruction_to_undo(const std::string& meter, const std::string& import);

/// The points of an import. Empty if one of them is malformed, is not within the years 0 to 9999, or has more
/// than 10^15 ticks. A recording is outside input.
[[nodiscard]] std::vector<HistoryPoint> points_in(const nlohmann::json& document);
/// A member of an instruction. Nothing, empty or false if it is missing or of another type.
[[nodiscard]] std::optional<Instant> instant_in(const nlohmann::json& document, const char* name);
/// A whole number from -`most` to `most`.
[[nodiscard]] std::optional<std::int64_t> whole_in(const nlohmann::json& document, const char* name,
                                                   std::int64_t most);
/// The most microlitres of a register or a draw: 10^8 m3, which can still be added and multiplied by ten.
inline constexpr std::int64_t volume_max_ul = 100'000'000'000'000'000;
[[nodiscard]] std::string text_in(const nlohmann::json& document, const char* name);
[[nodiscard]] bool flag_in(const nlohmann::json& document, const char* name);

}  // namespace tickledger
