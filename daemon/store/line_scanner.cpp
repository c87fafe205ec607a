#include "store/line_scanner.hpp"

#include <charconv>
#include <utility>

#include "core/json_text.hpp"

namespace tickledger {

namespace {

/// Walks over a line once. Every step answers whether the line goes on as expected.
class Scanner {
public:
    explicit Scanner(std::string_view line) : rest_(line) {}

    [[nodiscard]] bool literal(std::string_view expected) {
        if (!rest_.starts_with(expected)) return false;
        rest_.remove_prefix(expected.size());
        return true;
    }

    [[nodiscard]] bool digit(int most, int& value) {
        if (rest_.empty() || rest_.front() < '0' || rest_.front() > '0' + most) return false;
        value = rest_.front() - '0';
        rest_.remove_prefix(1);
        return true;
    }

    /// A time of the length that format_utc writes.
    [[nodiscard]] bool stamp(Instant& at) {
        constexpr std::size_t length = std::string_view("2026-03-01T07:00:00.123456Z").size();
        if (rest_.size() < length) return false;
        const auto read = parse_rfc3339(rest_.substr(0, length));
        if (!read) return false;
        at = *read;
        rest_.remove_prefix(length);
        return true;
    }

    /// A string up to and with its closing quote; the opening one has been read.
    [[nodiscard]] bool string(std::string& text) {
        bool ascii = true;
        std::size_t plain_from = 0;
        for (std::size_t i = 0; i < rest_.size(); ++i) {
            const auto byte = static_cast<unsigned char>(rest_[i]);
            if (byte >= 0x80) ascii = false;
            if (byte >= 0x20 && byte != '"' && byte != '\\') continue;
            text.append(rest_, plain_from, i - plain_from);
            if (byte == '"') {
                rest_.remove_prefix(i + 1);
                return ascii || is_utf8(text);
            }
            if (byte != '\\' || !escape(i, text)) return false;
            plain_from = i + 1;
        }
        return false;
    }

    [[nodiscard]] bool ended() const { return rest_.empty(); }

private:
    /// The escapes that to_line() writes; `i` stands on the backslash and is moved to the last character.
    [[nodiscard]] bool escape(std::size_t& i, std::string& text) const {
        if (i + 1 >= rest_.size()) return false;
        const char what = rest_[i + 1];
        if (what == '"' || what == '\\') {
            text += what;
            i += 1;
            return true;
        }
        if (!rest_.substr(i).starts_with("\\u00") || rest_.size() < i + 6) return false;
        unsigned code = 0;
        const char* const digits = rest_.data() + i + 4;
        const auto [end, error] = std::from_chars(digits, digits + 2, code, 16);
        if (error != std::errc{} || end != digits + 2 || code > 0x1FU) return false;
        text += static_cast<char>(code);
        i += 5;
        return true;
    }

    std::string_view rest_;
};

[[nodiscard]] bool scan_message(Scanner& line, Message& message) {
    if (!line.string(message.topic) || !line.literal(",\"qos\":") || !line.digit(2, message.qos) ||
        !line.literal(",\"retain\":")) {
        return false;
    }
    int retain = 0;
    if (!line.digit(1, retain)) return false;
    message.retained = retain == 1;
    message.redelivered = line.literal(",\"dup\":1");
    return line.literal(",\"payload\":\"") && line.string(message.payload);
}

[[nodiscard]] bool scan_link(Scanner& line, LinkChange& change) {
    change.up = line.literal("up");
    if (!change.up && !line.literal("down")) return false;
    if (!line.literal("\",\"session_present\":")) return false;
    change.session_present = line.literal("true");
    return change.session_present || line.literal("false");
}

}  // namespace

std::optional<Event> scan_line(std::string_view text) {
    Scanner line(text);
    Instant at;
    if (!line.literal("{\"tst\":\"") || !line.stamp(at)) return std::nullopt;
    if (line.literal("\",\"topic\":\"")) {
        Message message;
        message.arrived_at = at;
        if (!scan_message(line, message) || !line.literal("}") || !line.ended()) return std::nullopt;
        return message;
    }
    if (line.literal("\",\"link\":\"")) {
        LinkChange change{at, false, false};
        if (!scan_link(line, change) || !line.literal("}") || !line.ended()) return std::nullopt;
        return change;
    }
    return std::nullopt;
}

}  // namespace tickledger
