// How each text of the configuration is read, and what is wrong with one that cannot be.
//
// Every function returns the value or a sentence that begins with what was found and ends with what to do.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "tickledger/meter.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

/// A duration of more than nothing.
[[nodiscard]] Result<Duration> parse_positive_duration(std::string_view text);
/// A whole number of seconds that divides a day of 24 hours.
[[nodiscard]] Result<Duration> parse_interval(std::string_view text);
/// A civil time of day, "HH:MM" from "00:00" to "23:59", as the time since midnight.
[[nodiscard]] Result<Duration> parse_time_of_day(std::string_view text);
/// A flow of more than nothing, in litres an hour.
[[nodiscard]] Result<Ratio> parse_positive_flow_l_per_h(std::string_view text);
/// The permanent flow Q3, in litres an hour, from the overload flow: Q4 = 1.25 Q3 (ISO 4064-1).
[[nodiscard]] Result<Ratio> parse_q4_as_q3_l_per_h(std::string_view text);
/// What a register shows, in litres: nothing or more.
[[nodiscard]] Result<Ratio> parse_register_l(std::string_view text);
/// The name of a unit of volume; what 1 of it is in litres.
[[nodiscard]] Result<Ratio> parse_unit_l(std::string_view text);
inline constexpr std::array<std::string_view, 5> volume_units{"L", "m3", "gal_us", "gal_imp", "ft3"};
/// The volume that a tick stands for, in litres: more than nothing.
[[nodiscard]] Result<Ratio> parse_pulse_l(std::string_view text);
/// A volume of more than nothing, in litres.
[[nodiscard]] Result<Ratio> parse_positive_volume_l(std::string_view text);
/// A price without its currency: a decimal or a ratio of whole numbers.
[[nodiscard]] Result<Ratio> parse_price(std::string_view text);
/// A civil date: "2026-03-01".
[[nodiscard]] Result<date::sys_days> parse_date(std::string_view text);
/// Permissions in octal: "0660".
[[nodiscard]] Result<unsigned> parse_mode(std::string_view text);
[[nodiscard]] Result<MessageForm> parse_message_form(std::string_view text);
/// "file" or "memory": whether it is the latter.
[[nodiscard]] Result<bool> parse_ledger_index(std::string_view text);
[[nodiscard]] Result<AlarmKind> parse_alarm_kind(std::string_view text);

[[nodiscard]] Result<std::string> parse_any_text(std::string_view text);
/// An IANA zone name that the system's zone data knows; empty: the system's own.
[[nodiscard]] Result<std::string> parse_timezone(std::string_view text);
/// A meter's id, [a-z0-9-]{1,64}; "{1}" may stand in it once.
[[nodiscard]] Result<std::string> parse_meter_id(std::string_view text);
/// What people call a meter or a group, in at most 100 characters of one line; empty: none.
[[nodiscard]] Result<std::string> parse_name(std::string_view text);
/// A JSON Pointer (RFC 6901), so also "" for the whole document.
[[nodiscard]] Result<std::string> parse_json_pointer(std::string_view text);
[[nodiscard]] Result<std::filesystem::path> parse_path(std::string_view text);
/// The same, or empty: another place is meant.
[[nodiscard]] Result<std::filesystem::path> parse_path_or_none(std::string_view text);
/// A path that fits the address of a local socket (107 bytes on Linux, unix(7)).
[[nodiscard]] Result<std::filesystem::path> parse_socket_path(std::string_view text);

/// "mqtt://HOST[:PORT]" or "mqtts://HOST[:PORT]", an IPv6 address in brackets.
[[nodiscard]] Result<std::string> parse_broker_url(std::string_view text);
/// Not empty: MQTT 3.1.1 section 3.1.3.1 gives a client without a name no persistent session.
[[nodiscard]] Result<std::string> parse_client_id(std::string_view text);
/// An MQTT topic filter, MQTT 3.1.1 section 4.7.1.
[[nodiscard]] Result<std::string> parse_topic_filter(std::string_view text);
/// The beginning of a topic to publish below: no wildcards, no slash at its end.
[[nodiscard]] Result<std::string> parse_topic_root(std::string_view text);
/// "ADDRESS:PORT", or empty: off.
[[nodiscard]] Result<std::string> parse_http_address(std::string_view text);
/// Whether only this machine can reach what parse_http_address() took.
[[nodiscard]] bool is_loopback_address(std::string_view address_and_port);

/// True where some topic matches both filters. MQTT 3.1.1 section 4.7.
[[nodiscard]] bool filters_overlap(std::string_view a, std::string_view b);
/// True where some text could stand for "{1}" in the two ids so that they are the same.
[[nodiscard]] bool ids_overlap(std::string_view a, std::string_view b);

}  // namespace tickledger
