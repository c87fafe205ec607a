// Writes tables for people and CSV for programs.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

namespace tickledger {

enum class Align : std::uint8_t { left, right };

struct Column {
    std::string title;
    Align align = Align::left;
};

/// The value of COLUMNS if it is set, otherwise the width of the terminal on standard output; 0 if it is not
/// a terminal.
[[nodiscard]] std::size_t output_width();

/// A table whose columns fit their content, two spaces apart; readable without colour.
class Table {
public:
    explicit Table(std::vector<Column> columns) : columns_(std::move(columns)) {}
    /// Precondition: one cell for each column.
    void add(std::vector<std::string> cells) { rows_.push_back(std::move(cells)); }
    [[nodiscard]] bool is_empty() const { return rows_.empty(); }
    /// The table as text. If it would be wider than `width`, the last column is wrapped between words onto
    /// further lines. 0: never wrapped.
    [[nodiscard]] std::string text(std::size_t width = output_width()) const;

private:
    std::vector<Column> columns_;
    std::vector<std::vector<std::string>> rows_;
};

/// One record of RFC 4180, with its CRLF.
[[nodiscard]] std::string csv_record(const std::vector<std::string>& fields);

/// A JSON value as a field: text unchanged, numbers with a decimal point and no grouping, null as an empty
/// field.
[[nodiscard]] std::string csv_field(const nlohmann::ordered_json& value);

}  // namespace tickledger
