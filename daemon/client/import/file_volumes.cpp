// The numbers of a file of readings.
#include <algorithm>

#include "client/import/readings_file.hpp"

#include "core/digit.hpp"

namespace tickledger {

namespace {

constexpr int decimals_kept = 9;

/// Without what only looks nice: spaces, narrow and wide, at the ends and between thousands, and apostrophes.
std::string plain(std::string_view text) {
    std::string kept;
    for (std::size_t i = 0; i < text.size(); ++i) {
        const std::string_view rest = text.substr(i);
        if (rest.starts_with("\xC2\xA0")) {
            i += 1;
        } else if (rest.starts_with("\xE2\x80\xAF") || rest.starts_with("\xE2\x80\x99")) {
            i += 2;
        } else if (text[i] != ' ' && text[i] != '\t' && text[i] != '\'') {
            kept += text[i];
        }
    }
    return kept;
}

/// One to three digits, and then threes behind each separator.
bool takes_out_groups(std::string& whole, char separator) {
    std::string kept;
    std::size_t in_group = 0;
    bool is_first = true;
    for (const char c : whole) {
        if (c == separator) {
            if (in_group == 0 || in_group > 3 || (!is_first && in_group != 3)) return false;
            is_first = false;
            in_group = 0;
        } else {
            kept += c;
            ++in_group;
        }
    }
    if (!is_first && in_group != 3) return false;
    whole = kept;
    return true;
}

}  // namespace

std::optional<std::int64_t> read_volume(std::string_view text, char decimal) {
    const std::string number = plain(text);
    const auto point = number.find(decimal);
    std::string whole = number.substr(0, point);
    std::string fraction = point == std::string::npos ? "" : number.substr(point + 1);
    if (!takes_out_groups(whole, decimal == '.' ? ',' : '.')) return std::nullopt;
    if (whole.empty() || !std::ranges::all_of(whole, is_digit) || !std::ranges::all_of(fraction, is_digit))
        return std::nullopt;
    if (point != std::string::npos && fraction.empty()) return std::nullopt;
    const bool rounds_up = fraction.size() > decimals_kept && fraction[decimals_kept] >= '5';
    fraction.resize(decimals_kept, '0');
    std::int64_t volume = 0;
    for (const char c : whole + fraction) {
        if (__builtin_mul_overflow(volume, 10, &volume) || __builtin_add_overflow(volume, c - '0', &volume))
            return std::nullopt;
    }
    if (__builtin_add_overflow(volume, rounds_up ? 1 : 0, &volume)) return std::nullopt;
    return volume;
}

std::string volume_text(std::int64_t volume) {
    std::string text = std::to_string(volume / volume_one);
    std::string fraction = std::to_string(volume % volume_one + volume_one).substr(1);
    fraction.erase(fraction.find_last_not_of('0') + 1);
    return fraction.empty() ? text : text + "." + fraction;
}

std::int64_t FileContents::volume() const {
    std::int64_t sum = 0;
    for (const auto& stretch : stretches)
        sum += stretch.back().volume - stretch.front().volume;
    return sum;
}

}  // namespace tickledger
