#include <fmt/format.h>

#include <numeric>

#include "configuration/parsers.hpp"
#include "core/spelling.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

namespace {

constexpr auto day = std::chrono::hours{24};

/// The parsed value, if it is greater than zero.
template <typename T>
Result<T> positive(Result<T> value, std::string_view text, bool is_nothing) {
    if (value && is_nothing) return fail(fmt::format("\"{}\" is zero. Write a value greater than 0.", text));
    return value;
}

/// Refuses ratios that to_toml() could not write so that they read back: a number in the file has at most 18
/// digits.
Result<Ratio> writable(Result<Ratio> value, std::string_view text) {
    constexpr std::int64_t limit = 1'000'000'000'000'000'000;
    if (value && (value->numerator >= limit || value->denominator >= limit)) {
        return fail(fmt::format("\"{}\" has too many digits. Write fewer.", text));
    }
    return value;
}

template <typename T>
bool is_zero(const Result<T>& value) {
    if constexpr (std::is_same_v<T, Ratio>)
        return value && value->numerator == 0;
    else
        return value && *value == T{};
}

std::string list_in_quotes(const std::vector<std::string_view>& words) {
    std::string out;
    for (std::size_t i = 0; i < words.size(); ++i) {
        if (i > 0) out += i + 1 == words.size() ? " or " : ", ";
        out += fmt::format("\"{}\"", words[i]);
    }
    return out;
}

/// The index of the text among the words.
Result<std::size_t> choose(std::string_view text, std::string_view what,
                           const std::vector<std::string_view>& words) {
    for (std::size_t i = 0; i < words.size(); ++i) {
        if (words[i] == text) return i;
    }
    if (const auto meant = nearest(text, words)) {
        return fail(fmt::format("\"{}\" is not a valid {}; did you mean \"{}\"?", text, what, *meant));
    }
    return fail(fmt::format("\"{}\" is not a valid {}. Write {}.", text, what, list_in_quotes(words)));
}

}  // namespace

Result<Duration> parse_setting_duration(std::string_view text) {
    constexpr int most_days = 1'000'000;
    const auto value = parse_duration(text);
    if (value && *value > day * most_days)
        return fail(fmt::format("\"{}\" is too long. Write at most \"{}d\".", text, most_days));
    return value;
}

Result<Duration> parse_positive_duration(std::string_view text) {
    const auto value = parse_setting_duration(text);
    return positive(value, text, is_zero(value));
}

Result<Duration> parse_interval(std::string_view text) {
    const auto interval = parse_duration(text);
    if (!interval) return interval;
    if (*interval < std::chrono::seconds{1} || *interval > day || day % *interval != Duration{0} ||
        *interval % std::chrono::seconds{1} != Duration{0}) {
        return fail(
            fmt::format("\"{}\" does not divide a day of 24 hours into equal intervals of whole seconds. "
                        "Write, for example, \"5min\", \"15min\", \"30min\" or \"1h\".",
                        text));
    }
    return interval;
}

Result<Duration> parse_time_of_day(std::string_view text) {
    const auto digit = [&](std::size_t i) { return text[i] >= '0' && text[i] <= '9'; };
    if (text.size() == 5 && text[2] == ':' && digit(0) && digit(1) && digit(3) && digit(4)) {
        const int hours = (text[0] - '0') * 10 + (text[1] - '0');
        const int minutes = (text[3] - '0') * 10 + (text[4] - '0');
        if (hours < 24 && minutes < 60) return std::chrono::hours{hours} + std::chrono::minutes{minutes};
    }
    return fail(fmt::format(
        "\"{}\" is not a valid time of day. Write hours and minutes from \"00:00\" to \"23:59\".", text));
}

Result<Ratio> parse_positive_flow_l_per_h(std::string_view text) {
    const auto value = writable(parse_flow_l_per_h(text), text);
    return positive(value, text, is_zero(value));
}

Result<Ratio> parse_q4_as_q3_l_per_h(std::string_view text) {
    const auto q4 = parse_positive_flow_l_per_h(text);
    if (!q4) return q4;
    // Q3 is 4/5 of it. The factors that 4 and 5 share with the ratio are divided out first.
    const std::int64_t with_numerator = std::gcd(q4->numerator, std::int64_t{5});
    const std::int64_t with_denominator = std::gcd(q4->denominator, std::int64_t{4});
    Ratio q3{};
    if (__builtin_mul_overflow(q4->numerator / with_numerator, 4 / with_denominator, &q3.numerator) ||
        __builtin_mul_overflow(q4->denominator / with_denominator, 5 / with_numerator, &q3.denominator)) {
        return fail(fmt::format("\"{}\" has too many digits. Write fewer.", text));
    }
    return writable(q3, text);
}

Result<Ratio> parse_register_l(std::string_view text) {
    return writable(parse_volume_l(text), text);
}

Result<Ratio> parse_unit_l(std::string_view text) {
    const auto chosen = choose(text, "unit of volume", {volume_units.begin(), volume_units.end()});
    if (!chosen) return fail(chosen.error().text);
    return parse_volume_l("1 " + std::string(volume_units.at(*chosen)));
}

Result<Ratio> parse_pulse_l(std::string_view text) {
    return writable(parse_pulse_value_l(text), text);
}

Result<Ratio> parse_price(std::string_view text) {
    // A price has the same syntax as the number of a volume.
    const auto price = writable(parse_volume_l(std::string(text) + " L"), text);
    if (price && text.find_first_not_of("0123456789./") == std::string_view::npos) return *price;
    return fail(
        fmt::format("\"{}\" is not a price: a decimal or a ratio of whole numbers, without a sign or a "
                    "currency. Write it like \"2.35\" or \"2876/36500\".",
                    text.substr(0, 64)));
}

Result<date::sys_days> parse_date(std::string_view text) {
    const auto civil = civil_date_in(text);
    if (!civil)
        return fail(fmt::format("\"{}\" is not a date. Write it like \"2026-03-01\".", text.substr(0, 64)));
    return date::sys_days{*civil};
}

Result<Ratio> parse_positive_volume_l(std::string_view text) {
    const auto value = writable(parse_volume_l(text), text);
    return positive(value, text, is_zero(value));
}

Result<unsigned> parse_mode(std::string_view text) {
    unsigned mode = 0;
    bool octal = text.size() == 3 || (text.size() == 4 && text[0] == '0');
    for (const char c : text) {
        octal = octal && c >= '0' && c <= '7';
        if (octal) mode = mode * 8 + static_cast<unsigned>(c - '0');
    }
    if (!octal) {
        return fail(
            fmt::format("\"{}\" is not a valid file mode. Write permissions in octal: \"0660\" for owner and "
                        "group, \"0600\" for the owner alone.",
                        text));
    }
    return mode;
}

Result<MessageForm> parse_message_form(std::string_view text) {
    const auto chosen = choose(text, "form of message", {"counter", "pulses", "senml", "volume"});
    if (!chosen) return fail(chosen.error().text);
    constexpr MessageForm forms[] = {MessageForm::counter, MessageForm::pulses, MessageForm::senml,
                                     MessageForm::volume};
    return forms[*chosen];
}

Result<bool> parse_ledger_index(std::string_view text) {
    const auto chosen = choose(text, "place for the ledger's index", {"file", "memory"});
    if (!chosen) return fail(chosen.error().text);
    return *chosen == 1;
}

Result<AlarmKind> parse_alarm_kind(std::string_view text) {
    std::vector<std::string_view> names;
    for (int kind = 0; kind < alarm_kind_count; ++kind)
        names.push_back(name_of(static_cast<AlarmKind>(kind)));
    const auto chosen = choose(text, "kind of alarm", names);
    if (!chosen) return fail(chosen.error().text);
    return static_cast<AlarmKind>(*chosen);
}

Result<DrawLabel> parse_use(std::string_view text) {
    std::vector<std::string_view> names;
    for (int label = 0; label < draw_label_count; ++label) {
        const auto use = static_cast<DrawLabel>(label);
        if (use != DrawLabel::leak && use != DrawLabel::unknown) names.push_back(name_of(use));
    }
    const auto chosen = choose(text, "use of water", names);
    if (!chosen) return fail(chosen.error().text);
    return *draw_label_named(names[*chosen]);
}

}  // namespace tickledger
