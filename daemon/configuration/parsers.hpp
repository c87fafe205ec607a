// Parses the texts of the configuration.
//
// Every function returns the value, or a sentence that begins with what was found and ends with what to do.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "tickledger/meter.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

/// A duration of at most a million days, so that the program can multiply it and add it to a time.
[[nodiscard]] Result<Duration> parse_setting_duration(std::string_view text);
/// The same, greater than zero.
[[nodiscard]] Result<Duration> parse_positive_duration(std::string_view text);
/// A duration in whole seconds that divides a day of 24 hours.
[[nodiscard]] Result<Duration> parse_interval(std::string_view text);
/// A civil time of day, "HH:MM" from "00:00" to "23:59". Returns the time since midnight.
[[nodiscard]] Result<Duration> parse_time_of_day(std::string_view text);
/// A flow greater than zero, in litres per hour.
[[nodiscard]] Result<Ratio> parse_positive_flow_l_per_h(std::string_view text);
/// Parses the overload flow Q4 and returns the permanent flow Q3 in litres per hour: Q4 = 1.25 Q3 (ISO
/// 4064-1).
[[nodiscard]] Result<Ratio> parse_q4_as_q3_l_per_h(std::string_view text);
/// A register's reading, zero or more, in litres.
[[nodiscard]] Result<Ratio> parse_register_l(std::string_view text);
/// The name of a unit of volume. Returns one unit in litres.
[[nodiscard]] Result<Ratio> parse_unit_l(std::string_view text);
inline constexpr std::array<std::string_view, 5> volume_units{"L", "m3", "gal_us", "gal_imp", "ft3"};
/// A pulse value greater than zero, in litres.
[[nodiscard]] Result<Ratio> parse_pulse_l(std::string_view text);
/// A volume greater than zero, in litres.
[[nodiscard]] Result<Ratio> parse_positive_volume_l(std::string_view text);
/// A price without its currency: a decimal or a ratio of whole numbers.
[[nodiscard]] Result<Ratio> parse_price(std::string_view text);
/// A civil date: "2026-03-01".
[[nodiscard]] Result<date::sys_days> parse_date(std::string_view text);
/// Permissions in octal: "0660".
[[nodiscard]] Result<unsigned> parse_mode(std::string_view text);
[[nodiscard]] Result<MessageForm> parse_message_form(std::string_view text);
/// "file" or "memory". Returns true for "memory".
[[nodiscard]] Result<bool> parse_ledger_index(std::string_view text);
[[nodiscard]] Result<AlarmKind> parse_alarm_kind(std::string_view text);
/// A label of draws that a person can give: not a leak, not unknown.
[[nodiscard]] Result<DrawLabel> parse_use(std::string_view text);

[[nodiscard]] Result<std::string> parse_any_text(std::string_view text);
/// An IANA zone name that the system's zone data has; empty: the system's own zone.
[[nodiscard]] Result<std::string> parse_timezone(std::string_view text);
/// A meter's id, [a-z0-9-]{1,64}. It may contain "{1}" once.
[[nodiscard]] Result<std::string> parse_meter_id(std::string_view text);
/// The name of a meter or a group: one line of at most 100 characters; empty: none.
[[nodiscard]] Result<std::string> parse_name(std::string_view text);
/// A JSON Pointer (RFC 6901); "" is the whole document.
[[nodiscard]] Result<std::string> parse_json_pointer(std::string_view text);
[[nodiscard]] Result<std::filesystem::path> parse_path(std::string_view text);
/// A path, or empty for the default place.
[[nodiscard]] Result<std::filesystem::path> parse_path_or_none(std::string_view text);
/// A path that fits the address of a local socket (107 bytes on Linux, unix(7)).
[[nodiscard]] Result<std::filesystem::path> parse_socket_path(std::string_view text);

/// "mqtt://HOST[:PORT]" or "mqtts://HOST[:PORT]", an IPv6 address in brackets.
[[nodiscard]] Result<std::string> parse_broker_url(std::string_view text);
/// Must not be empty: without a client id, MQTT 3.1.1 section 3.1.3.1 allows no persistent session.
[[nodiscard]] Result<std::string> parse_client_id(std::string_view text);
/// An MQTT topic filter, MQTT 3.1.1 section 4.7.1.
[[nodiscard]] Result<std::string> parse_topic_filter(std::string_view text);
/// The beginning of a topic to publish below: no wildcards, no slash at the end.
[[nodiscard]] Result<std::string> parse_topic_root(std::string_view text);
/// "ADDRESS:PORT", or empty: off.
[[nodiscard]] Result<std::string> parse_http_address(std::string_view text);
/// Whether only this machine can reach an address that parse_http_address() accepted.
[[nodiscard]] bool is_loopback_address(std::string_view address_and_port);

/// True if some topic matches both filters. MQTT 3.1.1 section 4.7.
[[nodiscard]] bool filters_overlap(std::string_view a, std::string_view b);
/// True if some text in place of "{1}" makes the two ids the same.
[[nodiscard]] bool ids_overlap(std::string_view a, std::string_view b);

}  // namespace tickledger
