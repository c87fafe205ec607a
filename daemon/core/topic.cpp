// MQTT topic filters: MQTT 3.1.1 section 4.7.
#include "tickledger/message.hpp"

namespace tickledger {

namespace {

/// Takes the levels of a topic or a filter one by one. "a//b" has three, and "/" has two.
class Levels {
public:
    explicit Levels(std::string_view text) : rest_(text) {}

    [[nodiscard]] std::optional<std::string_view> next() {
        if (done_) return std::nullopt;
        const auto slash = rest_.find('/');
        const auto level = rest_.substr(0, slash);
        done_ = slash == std::string_view::npos;
        if (!done_) rest_.remove_prefix(slash + 1);
        return level;
    }

private:
    std::string_view rest_;
    bool done_ = false;
};

struct Match {
    bool matches = false;
    std::optional<std::string_view> first_plus;
};

[[nodiscard]] Match match(std::string_view filter, std::string_view topic) {
    Match result;
    if (filter.empty() || topic.empty()) return result;
    // A filter that begins with a wildcard does not match the server's own topics ($SYS/…).
    if (topic.front() == '$' && (filter.front() == '+' || filter.front() == '#')) return result;
    Levels filter_levels(filter);
    Levels topic_levels(topic);
    while (const auto wanted = filter_levels.next()) {
        const auto level = topic_levels.next();
        // "sport/#" matches the parent "sport" too, so "#" is looked at before the topic's end is.
        if (*wanted == "#") {
            result.matches = true;
            return result;
        }
        if (!level) return result;
        if (*wanted == "+") {
            if (!result.first_plus) result.first_plus = level;
        } else if (*wanted != *level) {
            return result;
        }
    }
    result.matches = !topic_levels.next().has_value();
    return result;
}

}  // namespace

bool topic_matches(std::string_view filter, std::string_view topic) {
    return match(filter, topic).matches;
}

std::optional<std::string> first_wildcard(std::string_view filter, std::string_view topic) {
    const Match found = match(filter, topic);
    if (!found.matches || !found.first_plus) return std::nullopt;
    return std::string(*found.first_plus);
}

}  // namespace tickledger
