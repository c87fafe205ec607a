#include "listen/findings.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>

#include "core/json_text.hpp"

namespace tickledger {

namespace {

using Json = nlohmann::json;

/// True if the field's name, in small letters, contains one of the words: "WATER.TotalCount" contains
/// "count".
bool hints(const std::string& pointer, std::initializer_list<const char*> words) {
    std::string name = pointer.substr(pointer.rfind('/') == std::string::npos ? 0 : pointer.rfind('/') + 1);
    std::ranges::transform(name, name.begin(), [](char c) {
        return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    });
    return std::ranges::any_of(words, [&](const char* word) { return name.find(word) != std::string::npos; });
}

/// Digits with at most one point, as devices that read a register send them: "01234.567".
bool is_decimal_text(const Json& value) {
    if (!value.is_string()) return false;
    const auto& text = value.get_ref<const std::string&>();
    constexpr std::size_t longest = 32;  // No register has so many digits.
    if (text.size() > longest) return false;
    const auto points = std::ranges::count(text, '.');
    const bool has_others = text.find_first_not_of("0123456789.") != std::string::npos;
    return !has_others && points <= 1 && static_cast<std::size_t>(points) < text.size();
}

/// The number of digits after the point.
int decimals_of(const Json& value) {
    const std::string text = value.is_string() ? value.get<std::string>() : value.dump();
    const auto point = text.find('.');
    const bool has_exponent = text.find('e') != std::string::npos;
    return point == std::string::npos || has_exponent ? 0 : static_cast<int>(text.size() - point - 1);
}

/// A field's values, one for each message that has it.
struct Values {
    std::vector<Json> all;
    std::vector<Instant> at;

    [[nodiscard]] std::vector<double> numbers() const {
        std::vector<double> numbers;
        for (const Json& value : all) {
            numbers.push_back(value.is_number()        ? value.get<double>()
                              : is_decimal_text(value) ? std::stod(value.get<std::string>())
                                                       : std::nan(""));
        }
        return numbers;
    }
};

void collect(const Json& value, const std::string& pointer, Instant at,
             std::map<std::string, Values>& fields) {
    if (value.is_object() || value.is_array()) {
        const bool is_list = value.is_array();
        std::size_t place = 0;
        for (const auto& [key, inner] : value.items()) {
            std::string token = is_list ? std::to_string(place++) : key;
            // RFC 6901, section 3.
            for (std::size_t i = 0; i < token.size(); ++i) {
                if (token[i] == '~') token.insert(++i, "0");
                if (token[i] == '/') token.replace(i++, 1, "~1");
            }
            collect(inner, pointer + "/" + token, at, fields);
        }
        return;
    }
    if (value.is_null()) return;
    const auto found = fields.find(pointer);
    if (found == fields.end() && fields.size() >= Findings::fields_max) return;
    Values& values = fields[pointer];
    values.all.push_back(value);
    values.at.push_back(at);
}

/// True if every value is a moment near its arrival: RFC 3339, or seconds since 1970.
bool is_time(const Values& values) {
    constexpr Duration near = std::chrono::hours{72};
    for (std::size_t i = 0; i < values.all.size(); ++i) {
        const Json& value = values.all[i];
        std::optional<Instant> told;
        if (value.is_string()) {
            if (const auto read = parse_rfc3339(value.get<std::string>())) told = *read;
        } else if (value.is_number() && value.get<double>() > 1e9 && value.get<double>() < 4e9) {
            told = Instant{Duration{static_cast<std::int64_t>(value.get<double>() * 1e6)}};
        }
        if (!told || std::chrono::abs(*told - values.at[i]) > near) return false;
    }
    return true;
}

/// True if the field rises as fast as the clock.
bool is_uptime(const Values& values, const std::vector<double>& numbers) {
    if (numbers.size() < 3) return false;
    const double rise_s = numbers.back() - numbers.front();
    const double passed_s = std::chrono::duration<double>(values.at.back() - values.at.front()).count();
    // A slow network delays single messages, so only the total is compared.
    return passed_s >= 1 && rise_s > 0 && std::abs(rise_s - passed_s) <= std::max(2.0, passed_s / 10) &&
           std::ranges::is_sorted(numbers);
}

bool is_seq(const std::vector<double>& numbers) {
    for (std::size_t i = 1; i < numbers.size(); ++i) {
        if (numbers[i] - numbers[i - 1] != 1) return false;
    }
    return numbers.size() >= 3;
}

FieldFinding finding_of(const std::string& pointer, const Values& values) {
    FieldFinding field;
    field.pointer = pointer;
    const auto text = [](const Json& value) {
        return value.is_string() ? value.get<std::string>() : value.dump();
    };
    field.first = excerpt(text(values.all.front()));
    field.last = excerpt(text(values.all.back()));
    field.messages = static_cast<std::int64_t>(values.all.size());
    const auto numbers = values.numbers();
    for (std::size_t i = 0; i < numbers.size(); ++i) {
        field.is_number = field.is_number && values.all[i].is_number();
        field.is_whole = field.is_number && field.is_whole && std::floor(numbers[i]) == numbers[i];
        field.is_decimal = field.is_decimal && !std::isnan(numbers[i]);
        if (field.is_decimal) field.decimals = std::max(field.decimals, decimals_of(values.all[i]));
        if (i == 0 || !field.is_decimal) continue;
        const double change = numbers[i] - numbers[i - 1];
        field.rises += change > 0;
        field.falls += change < 0;
        if (change > 0) field.smallest_rise = std::min(field.smallest_rise.value_or(change), change);
    }
    if (!field.is_number) field.is_whole = false;
    return field;
}

/// Only a number that began high and never fell is a running total in spite of its name.
bool is_pulses(const FieldFinding& field, const std::vector<double>& numbers) {
    constexpr double begins_high = 100;
    return field.is_named_for_pulses() && (field.falls > 0 || numbers.front() < begins_high);
}

/// How likely it is that the field counts water; 0: it cannot.
int score_of_count(const FieldFinding& field, bool is_seq_too) {
    if (field.use != FieldUse::unknown || !field.is_whole || field.first.starts_with('-')) return 0;
    const bool is_named = hints(field.pointer, {"count", "total", "tick", "impuls", "pulse", "meter", "water",
                                                "reading", "register", "volume", "value"});
    if (field.falls > 1 || (field.rises == 0 && !is_named && !field.pointer.empty())) return 0;
    return 1 + 4 * (field.rises > 0) + 2 * is_named + 3 * field.pointer.empty() - 4 * is_seq_too;
}

/// How likely it is that the field gives a register's volume; 0: it cannot.
int score_of_volume(const FieldFinding& field) {
    const bool is_count_like = field.is_number && field.is_whole;
    if (field.use != FieldUse::unknown || !field.is_decimal || is_count_like || field.first.starts_with('-'))
        return 0;
    if (hints(field.pointer, {"temp", "rate", "flow", "volt", "batt", "pressure", "humid", "signal"}))
        return 0;
    const bool is_named = hints(field.pointer, {"volume", "value", "total", "register", "reading", "meter",
                                                "water", "consum", "m3", "lit"});
    // Of a fitting name, a fraction and a rise, one may be missing. With only one of them the field may be
    // anything.
    if (field.falls > 1 || is_named + (field.decimals > 0) + (field.rises > 0) < 2) return 0;
    return 1 + 4 * (field.rises > 0) + 2 * is_named;
}

/// Assigns the uses: the certain ones first, then the best counter among the remaining fields.
void find_uses(std::vector<FieldFinding>& fields, const std::map<std::string, Values>& values) {
    const auto first_of = [&](FieldUse use, auto&& fits) {
        for (FieldFinding& field : fields) {
            if (field.use != FieldUse::unknown || !fits(field, values.at(field.pointer))) continue;
            field.use = use;
            return;
        }
    };
    first_of(FieldUse::time, [](const FieldFinding&, const Values& of) { return is_time(of); });
    first_of(FieldUse::uptime, [](const FieldFinding& field, const Values& of) {
        // A message that is one number has no room for another counter.
        return field.is_number && !field.pointer.empty() &&
               (hints(field.pointer, {"uptime"}) ||
                (is_uptime(of, of.numbers()) &&
                 !hints(field.pointer, {"count", "total", "pulse", "tick", "seq"})));
    });
    first_of(FieldUse::boot, [](const FieldFinding& field, const Values& of) {
        const bool is_text = std::ranges::all_of(of.all, [](const Json& value) { return value.is_string(); });
        return (field.is_whole || is_text) && hints(field.pointer, {"boot", "restart", "reset"});
    });
    first_of(FieldUse::saved, [](const FieldFinding& field, const Values&) {
        return field.is_whole && hints(field.pointer, {"saved", "restored"});
    });
    first_of(FieldUse::seq, [](const FieldFinding& field, const Values&) {
        return field.is_whole && hints(field.pointer, {"seq", "msg", "message", "frame"});
    });
    const auto best_by = [&](auto&& score_of) {
        std::pair<FieldFinding*, int> best{nullptr, 0};
        for (FieldFinding& field : fields) {
            if (const int score = score_of(field); score > best.second) best = {&field, score};
        }
        return best;
    };
    const auto [count, count_score] = best_by([&](const FieldFinding& field) {
        const auto numbers = values.at(field.pointer).numbers();
        return is_pulses(field, numbers) ? 0 : score_of_count(field, is_seq(numbers));
    });
    const auto [volume, volume_score] = best_by(score_of_volume);
    // If neither moved, a whole number beside a volume is more often a meter's serial number than its count.
    const bool is_count_sure =
        count && (count->rises > 0 || hints(count->pointer, {"count", "tick", "impuls", "pulse"}));
    if (volume && volume_score >= count_score + (is_count_sure ? 1 : 0)) {
        volume->use = FieldUse::volume;
    } else if (count) {
        count->use = FieldUse::count;
    } else {
        first_of(FieldUse::pulses, [](const FieldFinding& field, const Values&) {
            return field.is_whole && !field.first.starts_with('-') &&
                   hints(field.pointer, {"pulse", "tick", "impuls", "count", "delta"});
        });
    }
    first_of(FieldUse::seq, [](const FieldFinding& field, const Values& of) {
        return field.is_whole && is_seq(of.numbers());
    });
}

bool is_senml_pack(const Json& document) {
    return document.is_array() && !document.empty() && document.front().is_object() &&
           (document.front().contains("bn") || document.front().contains("n")) &&
           std::ranges::any_of(document, [](const Json& record) {
               return record.is_object() && (record.contains("v") || record.contains("s"));
           });
}

std::optional<Duration> median_distance(const std::vector<HeardMessage>& messages) {
    std::vector<Duration> distances;
    const HeardMessage* before = nullptr;
    for (const HeardMessage& message : messages) {
        if (message.is_retained) continue;
        if (before) distances.push_back(message.at - before->at);
        before = &message;
    }
    if (distances.empty()) return std::nullopt;
    std::ranges::sort(distances);
    return distances[distances.size() / 2];
}

TopicFinding finding_of(const std::string& topic, const std::vector<HeardMessage>& messages) {
    TopicFinding found;
    found.topic = topic;
    found.first_at = messages.front().at;
    found.last_at = messages.back().at;
    found.cadence = median_distance(messages);
    std::map<std::string, Values> values;
    for (const HeardMessage& message : messages) {
        found.retained += message.is_retained;
        const auto document = parse_json(message.payload);
        if (!document) {
            ++found.unreadable;
            continue;
        }
        found.is_senml = found.is_senml || is_senml_pack(*document);
        if (!found.is_senml) collect(*document, "", message.at, values);
    }
    if (found.is_senml) return found;
    for (const auto& [pointer, of_field] : values)
        found.fields.push_back(finding_of(pointer, of_field));
    find_uses(found.fields, values);
    return found;
}

}  // namespace

std::string_view name_of(FieldUse use) {
    switch (use) {
        case FieldUse::count:
            return "count";
        case FieldUse::volume:
            return "volume";
        case FieldUse::pulses:
            return "pulses";
        case FieldUse::boot:
            return "boot";
        case FieldUse::seq:
            return "seq";
        case FieldUse::time:
            return "time";
        case FieldUse::saved:
            return "saved";
        case FieldUse::uptime:
            return "uptime";
        case FieldUse::unknown:
            break;
    }
    return "";
}

bool FieldFinding::is_named_for_pulses() const {
    return hints(pointer, {"pulses", "delta"});
}

const FieldFinding* TopicFinding::field(FieldUse use) const {
    const auto found = std::ranges::find(fields, use, &FieldFinding::use);
    return found == fields.end() ? nullptr : &*found;
}

bool TopicFinding::can_be_a_meter() const {
    return is_senml || field(FieldUse::count) || field(FieldUse::volume) || field(FieldUse::pulses);
}

void Findings::take(const HeardMessage& message) {
    if (!topic_root_.empty() && message.topic.starts_with(topic_root_ + "/")) {
        ++own_messages_;
        return;
    }
    const auto known = heard_.find(message.topic);
    if (known == heard_.end() && heard_.size() >= topics_max) {
        ++left_out_;
        return;
    }
    ++counts_[message.topic];
    auto& messages = heard_[message.topic];
    messages.push_back(message);
    bytes_ += message.payload.size();
    // The first message is kept for comparison with the last.
    if (messages.size() > messages_kept || (bytes_ > bytes_max && messages.size() > 2)) {
        bytes_ -= messages[1].payload.size();
        messages.erase(messages.begin() + 1);
    }
}

std::vector<TopicFinding> Findings::found() const {
    std::vector<TopicFinding> found;
    for (const auto& [topic, messages] : heard_) {
        found.push_back(finding_of(topic, messages));
        found.back().messages = counts_.at(topic);
    }
    // Retained copies alone may be of any age: the board that sends now comes first.
    std::ranges::stable_sort(found, std::greater{}, [](const TopicFinding& topic) {
        return std::pair{topic.can_be_a_meter(), topic.retained < topic.messages};
    });
    return found;
}

}  // namespace tickledger
