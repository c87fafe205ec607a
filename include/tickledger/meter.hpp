// What a person configures for a meter: one [[meter]] table of the configuration.
#pragma once

#include <date/date.h>

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

enum class DrawLabel : std::uint8_t;

enum class MessageForm : std::uint8_t { counter, pulses, senml, volume };

/// Where the fields of a JSON message are, as JSON Pointers (RFC 6901). A field without a pointer is not
/// read. The empty pointer "" is the whole document.
struct FieldPointers {
    std::optional<std::string> count = "/count";
    std::optional<std::string> boot = "/boot";
    std::optional<std::string> seq = "/seq";
    std::optional<std::string> time = "/time";
    std::optional<std::string> saved = "/saved";
    std::optional<std::string> uptime = "/uptime";
    std::optional<std::string> pulses = "/pulses";
    std::optional<std::string> volume = "/volume";

    bool operator==(const FieldPointers&) const = default;
};

enum class AlarmKind : std::uint8_t {
    night_flow,
    slow_leak,
    high_flow,
    long_draw,
    away_use,
    node_silent,
    counter_fault,
    backflow,
    stagnation
};
inline constexpr int alarm_kind_count = 9;

/// The name of a kind in topics, answers and configuration: "night-flow".
[[nodiscard]] std::string_view name_of(AlarmKind kind);
[[nodiscard]] std::optional<AlarmKind> alarm_kind_named(std::string_view name);

struct AlarmSettings {
    /// Civil times of day between which a house sleeps. If `night_from` > `night_to`, the night begins on the
    /// evening before.
    Duration night_from = std::chrono::hours{1};
    Duration night_to = std::chrono::hours{5};
    Duration still_for = std::chrono::minutes{30};
    Ratio high_flow_l_per_h{1800, 1};
    Duration high_flow_for = std::chrono::minutes{10};
    Ratio long_draw_volume_l{500, 1};
    Duration long_draw_time = std::chrono::hours{2};
    Duration silent_after = std::chrono::minutes{15};
    bool away = false;
    std::vector<AlarmKind> off;
    /// stagnation is raised after this long without a tick.
    Duration stagnant_for = std::chrono::hours{72};
    /// Kinds that are off by default with these settings and are switched on.
    std::vector<AlarmKind> on;

    /// It is not switched off. MeterSettings::watches() tells whether it is watched for.
    [[nodiscard]] bool is_on(AlarmKind kind) const;
    bool operator==(const AlarmSettings&) const = default;
};

/// A pulse value from a civil date on.
struct DatedPulseValue {
    date::sys_days from{};
    Ratio pulse_value_l{1, 1};

    bool operator==(const DatedPulseValue&) const = default;
};

struct MeterSettings {
    /// [a-z0-9-]{1,64}. In a pattern meter "{1}" stands for the part of the topic that the first + matched.
    std::string id;
    /// An MQTT topic filter.
    std::string topic;
    MessageForm message = MessageForm::counter;
    FieldPointers fields;
    /// The name in a SenML pack that is this meter's. Empty if a pack holds only one name.
    std::string senml_name;
    Ratio pulse_value_l{1, 1};
    /// Later pulse values, in order of their dates. Rows before a date keep the previous value.
    std::vector<DatedPulseValue> pulse_value_changes;
    /// The permanent flow Q3 of ISO 4064-1. Q4 = 1.25 Q3.
    Ratio q3_l_per_h{2500, 1};
    /// For a cumulative volume: the volume that the number 1 in a message stands for.
    Ratio volume_unit_l{1000, 1};
    /// For a cumulative volume: where it starts again at 0, a whole number of pulse values; 0: never.
    Ratio rolls_over_at_l{0, 1};
    /// Bits at which the node's counter wraps: 1 to 63; 0: never. Not used for a volume.
    int counter_bits = 32;
    int seq_bits = 32;  ///< 2 to 63: one bit cannot tell before from after (RFC 1982).
    /// The node saves its count every `checkpoint_ticks` ticks and restarts from there; 0: it saves none.
    std::uint64_t checkpoint_ticks = 0;
    /// How often the node is expected to send a message.
    Duration cadence = std::chrono::minutes{3};
    /// The spacing of published usage; divides a day.
    Duration interval = std::chrono::minutes{15};
    /// What the register showed at the first booked reading.
    Ratio register_start_l{0, 1};
    /// Where the register's digits start again at 0; 0: never.
    Ratio register_range_l{0, 1};
    /// The smallest volume that can be read off the register.
    Ratio register_resolution_l{1, 1};
    /// The only uses that its water is put to. Empty: any.
    std::vector<DrawLabel> uses;
    AlarmSettings alarms;

    /// The kind is switched on, or it is neither switched off nor off by default. In addition, away-use is
    /// watched for only while people are away.
    [[nodiscard]] bool watches(AlarmKind kind) const;

    bool operator==(const MeterSettings&) const = default;
};

/// W of docs/ledger.md: the first number that is no longer a count of this meter. Nothing if the count never
/// wraps. Pulses are not a count; for them it is where the node's own counter wraps.
[[nodiscard]] std::optional<std::uint64_t> count_range(const MeterSettings& meter);

/// How many pulse values the range of a cumulative volume holds. Nothing if that is not a whole number, is 0,
/// or is 2^63 or more.
[[nodiscard]] std::optional<std::uint64_t> whole_pulse_values(Ratio volume_l, Ratio pulse_value_l);

/// Why a kind is off at a meter unless it is switched on.
enum class WhyOff : std::uint8_t {
    large_ticks,    ///< slow-leak: a single use makes a tick that stands alone.
    no_lone_ticks,  ///< slow-leak: at this cadence no tick can be seen to stand alone.
    no_single_use,  ///< long-draw: at this cadence one use cannot be told from several.
    asked_for,      ///< stagnation: only for those who ask for it.
};

/// Nothing if the kind is on by default.
[[nodiscard]] std::optional<WhyOff> why_off(const MeterSettings& meter, AlarmKind kind);
/// The reason for people, as it follows "because".
[[nodiscard]] std::string words_of(WhyOff why);

/// The mean flow of a volume in a time. Nothing if the time has no length, or if the meter cannot have that
/// flow: more than Q4 plus two ticks in the time, or in a cadence if that is longer. (Ticks that arrive
/// microseconds apart show when they were seen, not how fast the water ran.)
[[nodiscard]] std::optional<double> possible_flow_l_per_h(double litres, Duration in,
                                                          const MeterSettings& meter);

/// `silent_after` if it is not configured: five cadences, at least 15 minutes.
[[nodiscard]] Duration usual_silent_after(Duration cadence);

}  // namespace tickledger
