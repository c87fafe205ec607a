// What a topic says, found out by listening: which field counts, how often and by how much, what tells
// restarts and time.
//
// Pure: messages in, findings out. Nothing here knows a board's make; every finding follows from what came.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/time.hpp"

namespace tickledger {

struct HeardMessage {
    Instant at{};
    std::string topic;
    std::string payload;
    bool is_retained = false;
};

/// What a field seems to be for.
enum class FieldUse : std::uint8_t { unknown, count, volume, pulses, boot, seq, time, saved, uptime };

[[nodiscard]] std::string_view name_of(FieldUse use);

/// One leaf of a topic's JSON documents, over all its messages.
struct FieldFinding {
    /// A JSON Pointer (RFC 6901); "" is the whole document.
    std::string pointer;
    FieldUse use = FieldUse::unknown;
    /// As the first and the last message wrote it.
    std::string first;
    std::string last;
    std::int64_t messages = 0;
    std::int64_t rises = 0;
    std::int64_t falls = 0;
    /// The smallest rise, where the field is decimal and rose.
    std::optional<double> smallest_rise;
    bool is_decimal = true;  ///< In every message a number, or a text of digits with at most one point.
    bool is_number = true;   ///< In every message a JSON number.
    bool is_whole = true;    ///< And never with a fraction.
    int decimals = 0;        ///< Digits behind the point, at most.
};

struct TopicFinding {
    std::string topic;
    std::int64_t messages = 0;
    std::int64_t retained = 0;
    std::int64_t unreadable = 0;  ///< No JSON.
    bool is_senml = false;        ///< Arrays of records as RFC 8428 has them.
    Instant first_at{};
    Instant last_at{};
    /// The median distance of messages that were not retained; nothing with fewer than two.
    std::optional<Duration> cadence;
    std::vector<FieldFinding> fields;

    /// The field of that use; null: none.
    [[nodiscard]] const FieldFinding* field(FieldUse use) const;
    /// A meter can be made of it: something counts, or seems to.
    [[nodiscard]] bool can_be_a_meter() const;
};

/// Gathers messages; memory is bounded by what follows, not by how much comes. Of a topic the first and the
/// last message always stay.
class Findings {
public:
    static constexpr std::size_t topics_max = 500;
    static constexpr std::size_t fields_max = 64;
    static constexpr std::size_t messages_kept = 200;
    /// Of payloads; beyond it each topic keeps two messages.
    static constexpr std::size_t bytes_max = 64 * 1024 * 1024;

    void take(const HeardMessage& message);
    /// Topics in their order. Those that may be a meter's come first.
    [[nodiscard]] std::vector<TopicFinding> found() const;
    /// Messages of further topics, which were not kept.
    [[nodiscard]] std::int64_t left_out() const { return left_out_; }
    [[nodiscard]] std::size_t bytes_kept() const { return bytes_; }

private:
    std::map<std::string, std::vector<HeardMessage>> heard_;
    std::map<std::string, std::int64_t> counts_;
    std::int64_t left_out_ = 0;
    std::size_t bytes_ = 0;
};

/// For a person, at the terminal. Control characters, which anybody may put into a topic or a field's name,
/// are shown as "?".
[[nodiscard]] std::string describe(const std::vector<TopicFinding>& topics);

/// A whole [[meter]] table for the topic, with comments on what only a person knows: pulse value, Q3,
/// register. Precondition: can_be_a_meter().
[[nodiscard]] std::string meter_table(const TopicFinding& topic);

}  // namespace tickledger
