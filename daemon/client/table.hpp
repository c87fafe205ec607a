// Tables for people and CSV for programs.
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

/// The width of the terminal that standard output is, or of COLUMNS where that is in the environment; 0: no
/// terminal.
[[nodiscard]] std::size_t output_width();

/// Columns as wide as what stands in them, two spaces apart; readable without colour.
class Table {
public:
    explicit Table(std::vector<Column> columns) : columns_(std::move(columns)) {}
    /// Precondition: one cell a column.
    void add(std::vector<std::string> cells) { rows_.push_back(std::move(cells)); }
    [[nodiscard]] bool is_empty() const { return rows_.empty(); }
    /// Where it would be wider than `width`, what stands in the last column goes on in further lines, between
    /// words. 0: as wide as it is.
    [[nodiscard]] std::string text(std::size_t width = output_width()) const;

private:
    std::vector<Column> columns_;
    std::vector<std::vector<std::string>> rows_;
};

/// One record of RFC 4180, with its CRLF.
[[nodiscard]] std::string csv_record(const std::vector<std::string>& fields);

/// A JSON value as a field: text as it is, numbers with a decimal point and no grouping, null as nothing.
[[nodiscard]] std::string csv_field(const nlohmann::ordered_json& value);

}  // namespace tickledger
