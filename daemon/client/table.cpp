#include "client/table.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

namespace tickledger {

namespace {

// Characters, not bytes: every byte of UTF-8 but those that continue a character.
std::size_t width_of(std::string_view text) {
    return static_cast<std::size_t>(
        std::ranges::count_if(text, [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

}  // namespace

std::string Table::text() const {
    std::vector<std::size_t> widths;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
        std::size_t width = width_of(columns_[i].title);
        for (const auto& row : rows_)
            width = std::max(width, width_of(row[i]));
        widths.push_back(width);
    }
    std::string text;
    const auto add_line = [&](const auto& cell_of) {
        std::string line;
        for (std::size_t i = 0; i < columns_.size(); ++i) {
            const std::string& cell = cell_of(i);
            const std::string padding(widths[i] - width_of(cell), ' ');
            if (i > 0) line += "  ";
            line += columns_[i].align == Align::right ? padding + cell : cell + padding;
        }
        line.erase(line.find_last_not_of(' ') + 1);
        text += line + '\n';
    };
    add_line([&](std::size_t i) -> const std::string& { return columns_[i].title; });
    for (const auto& row : rows_)
        add_line([&](std::size_t i) -> const std::string& { return row[i]; });
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
    // The shortest decimal of a double is the decimal that the daemon wrote, up to 15 digits.
    if (value.is_number_float()) return fmt::format("{}", value.get<double>());
    return value.dump();
}

}  // namespace tickledger
