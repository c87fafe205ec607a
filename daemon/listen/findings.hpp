// Finds out by listening what a topic's messages contain: which field counts, how often and by how much, and
// which fields report restarts and time.
//
// A pure function of the messages. It knows no particular board: every finding follows from the messages that
// arrived.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <utility>
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

/// One leaf of a topic's JSON documents, across all its messages.
struct FieldFinding {
    /// A JSON Pointer (RFC 6901); "" is the whole document.
    std::string pointer;
    FieldUse use = FieldUse::unknown;
    /// The value in the first and in the last message, shortened for display.
    std::string first;
    std::string last;
    std::int64_t messages = 0;
    std::int64_t rises = 0;
    std::int64_t falls = 0;
    /// The smallest rise; empty if the field never rose or is not decimal.
    std::optional<double> smallest_rise;
    bool is_decimal = true;  ///< In every message a number, or a text of digits with at most one point.
    bool is_number = true;   ///< In every message a JSON number.
    bool is_whole = true;    ///< `is_number`, and never with a fraction.
    int decimals = 0;        ///< The most digits seen after the point.

    /// The name says that each message gives the ticks since the one before.
    [[nodiscard]] bool is_named_for_pulses() const;
};

struct TopicFinding {
    std::string topic;
    std::int64_t messages = 0;
    std::int64_t retained = 0;
    std::int64_t unreadable = 0;  ///< Messages that are not JSON.
    bool is_senml = false;        ///< Its messages are arrays of records as in RFC 8428.
    Instant first_at{};
    Instant last_at{};
    /// The median time between messages that were not retained; empty if there were fewer than two.
    std::optional<Duration> cadence;
    std::vector<FieldFinding> fields;

    /// The field with that use, or null.
    [[nodiscard]] const FieldFinding* field(FieldUse use) const;
    /// True if a meter can be made of it: a field counts, or seems to.
    [[nodiscard]] bool can_be_a_meter() const;
};

/// Gathers messages. Memory is bounded by the constants below, however many messages arrive. The first and
/// the last message of a topic are always kept.
class Findings {
public:
    static constexpr std::size_t topics_max = 500;
    static constexpr std::size_t fields_max = 64;
    static constexpr std::size_t messages_kept = 200;
    /// Bytes of payload kept. Beyond that, each new message pushes an older one of its topic out, down to
    /// two.
    static constexpr std::size_t bytes_max = 64 * 1024 * 1024;

    /// `topic_root`: where the daemon publishes. Messages below it are counted and left out. Empty: nowhere.
    explicit Findings(std::string topic_root = {}) : topic_root_(std::move(topic_root)) {}

    void take(const HeardMessage& message);
    /// Topics that may be a meter's come first, and among them those that were not only heard as retained
    /// copies; then in alphabetical order.
    [[nodiscard]] std::vector<TopicFinding> found() const;
    /// The number of messages dropped because their topics exceeded topics_max.
    [[nodiscard]] std::int64_t left_out() const { return left_out_; }
    /// The number of messages that the daemon itself had published.
    [[nodiscard]] std::int64_t own_messages() const { return own_messages_; }
    [[nodiscard]] std::size_t bytes_kept() const { return bytes_; }

private:
    std::string topic_root_;
    std::int64_t own_messages_ = 0;
    std::map<std::string, std::vector<HeardMessage>> heard_;
    std::map<std::string, std::int64_t> counts_;
    std::int64_t left_out_ = 0;
    std::size_t bytes_ = 0;
};

/// The findings as text for a terminal. Control characters, which anybody may put into a topic or a field's
/// name, are shown as their codes: "\u001b".
[[nodiscard]] std::string describe(const std::vector<TopicFinding>& topics);

/// A complete [[meter]] table for the topic. Comments in it point to what only a person knows: pulse value,
/// Q3, register. Precondition: can_be_a_meter().
[[nodiscard]] std::string meter_table(const TopicFinding& topic);

}  // namespace tickledger
