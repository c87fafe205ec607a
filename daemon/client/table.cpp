#include "client/table.hpp"

#include <sys/ioctl.h>
#include <unistd.h>

#include <fmt/format.h>
#include <algorithm>
#include <cstdlib>
#include <nlohmann/json.hpp>

namespace tickledger {

namespace {

// Counts characters, not bytes: every byte of UTF-8 except continuation bytes.
std::size_t width_of(std::string_view text) {
    return static_cast<std::size_t>(
        std::ranges::count_if(text, [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

/// Cuts the text between words into parts of at most `width`. A longer word is a part of its own.
std::vector<std::string> wrapped(const std::string& text, std::size_t width) {
    std::vector<std::string> lines;
    std::string line;
    for (std::size_t begin = 0; begin < text.size();) {
        const std::size_t end = std::min(text.find(' ', begin), text.size());
        const std::string word = text.substr(begin, end - begin);
        if (!line.empty() && width_of(line) + 1 + width_of(word) > width) {
            lines.push_back(line);
            line.clear();
        }
        line += (line.empty() ? "" : " ") + word;
        begin = end + 1;
    }
    lines.push_back(line);
    return lines;
}

}  // namespace

std::size_t output_width() {
    if (const char* told = std::getenv("COLUMNS")) return std::strtoul(told, nullptr, 10);
    winsize size{};
    if (::isatty(STDOUT_FILENO) == 0 || ::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0) return 0;
    return size.ws_col;
}

std::string Table::text(std::size_t width) const {
    std::vector<std::size_t> widths;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
        std::size_t widest = width_of(columns_[i].title);
        for (const auto& row : rows_)
            widest = std::max(widest, width_of(row[i]));
        widths.push_back(widest);
    }
    // The last column gets the width that the others leave, but at least what is still readable.
    constexpr std::size_t narrowest = 24;
    std::size_t before = 0;
    for (std::size_t i = 0; i + 1 < widths.size(); ++i)
        before += widths[i] + 2;
    const bool is_wrapped =
        width > 0 && before + widths.back() > width && columns_.back().align == Align::left;
    if (is_wrapped) widths.back() = std::max(narrowest, width > before ? width - before : 0);
    std::string text;
    const auto add_line = [&](const auto& cell_of) {
        std::string line;
        for (std::size_t i = 0; i < columns_.size(); ++i) {
            const std::string& cell = cell_of(i);
            const std::string padding(widths[i] - std::min(widths[i], width_of(cell)), ' ');
            if (i > 0) line += "  ";
            line += columns_[i].align == Align::right ? padding + cell : cell + padding;
        }
        line.erase(line.find_last_not_of(' ') + 1);
        text += line + '\n';
    };
    add_line([&](std::size_t i) -> const std::string& { return columns_[i].title; });
    for (const auto& row : rows_) {
        if (!is_wrapped) {
            add_line([&](std::size_t i) -> const std::string& { return row[i]; });
            continue;
        }
        std::vector<std::string> cells = row;
        for (const std::string& part : wrapped(row.back(), widths.back())) {
            cells.back() = part;
            add_line([&](std::size_t i) -> const std::string& { return cells[i]; });
            std::fill(cells.begin(), cells.end(), "");
        }
    }
    return text;
}

std::string csv_record(const std::vector<std::string>& fields) {
    std::string record;
    for (const std::string& field : fields) {
        if (&field != &fields.front()) record += ',';
        if (field.find_first_of(",\"\r\n") == std::string::npos) {
            record += field;
            continue;
        }
        record += '"';
        for (const char c : field) {
            if (c == '"') record += '"';
            record += c;
        }
        record += '"';
    }
    return record + "\r\n";
}

std::string csv_field(const nlohmann::ordered_json& value) {
    if (value.is_null()) return {};
    if (value.is_string()) return value.get<std::string>();
    // Up to 15 digits, the shortest decimal of a double is the decimal that the daemon wrote.
    if (value.is_number_float()) return fmt::format("{}", value.get<double>());
    return value.dump();
}

}  // namespace tickledger
