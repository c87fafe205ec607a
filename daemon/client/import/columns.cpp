#include "client/import/columns.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <array>
#include <charconv>

#include "core/harmless.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

namespace {

constexpr std::size_t rows_looked_at = 200;

std::string small(std::string_view text) {
    std::string out(text);
    for (char& c : out) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    }
    return out;
}

bool contains_any(const std::string& name, std::initializer_list<std::string_view> words) {
    return std::ranges::any_of(words,
                               [&](std::string_view word) { return name.find(word) != std::string::npos; });
}

/// A cell that could be a time in either order of dates.
bool looks_like_time(std::string_view cell) {
    return read_time(cell, DateOrder::day_first) || read_time(cell, DateOrder::month_first);
}

bool looks_like_volume(std::string_view cell) {
    return read_volume(cell, '.') || read_volume(cell, ',');
}

class Finder {
public:
    Finder(const std::vector<CsvRow>& rows, const FileOrder& order) : rows_(rows), order_(order) {
        for (const CsvRow& row : rows)
            width_ = std::max(width_, row.cells.size());
    }

    Result<Columns> find() {
        found_.has_names = has_names();
        if (auto done = find_time(); !done) return tl::unexpected(done.error());
        if (auto done = find_volume(); !done) return tl::unexpected(done.error());
        if (auto done = find_dates(); !done) return tl::unexpected(done.error());
        find_decimal();
        if (auto done = find_unit(); !done) return tl::unexpected(done.error());
        found_.time_name = name_of(found_.time);
        found_.volume_name = name_of(found_.volume);
        return found_;
    }

private:
    [[nodiscard]] bool has_names() const {
        return std::ranges::none_of(rows_.front().cells, [](const std::string& cell) {
            return looks_like_time(cell) || looks_like_volume(cell);
        });
    }

    [[nodiscard]] std::string name_of(std::size_t column) const {
        const auto& cells = rows_.front().cells;
        if (found_.has_names && column < cells.size() && !cells[column].empty())
            return harmless_text(cells[column]);
        return fmt::format("column {}", column + 1);
    }

    /// The cells of a column, of the first rows below the names.
    [[nodiscard]] std::vector<std::string_view> cells_of(std::size_t column) const {
        std::vector<std::string_view> cells;
        for (std::size_t i = found_.has_names ? 1 : 0; i < rows_.size() && cells.size() < rows_looked_at;
             ++i) {
            if (column < rows_[i].cells.size()) cells.push_back(rows_[i].cells[column]);
        }
        return cells;
    }

    template <typename Test>
    [[nodiscard]] bool are_mostly(std::size_t column, Test test) const {
        const auto cells = cells_of(column);
        return !cells.empty() &&
               std::ranges::count_if(cells, test) * 2 > static_cast<std::ptrdiff_t>(cells.size());
    }

    /// The column that was told, by name or number.
    [[nodiscard]] Result<std::size_t> told(const std::string& column) const {
        if (found_.has_names) {
            const auto& names = rows_.front().cells;
            const auto same = std::ranges::find(names, column);
            if (same != names.end()) return static_cast<std::size_t>(same - names.begin());
            const auto alike = std::ranges::find(names, small(column), small);
            if (alike != names.end()) return static_cast<std::size_t>(alike - names.begin());
        }
        std::size_t number = 0;
        const char* const end = column.data() + column.size();
        const auto read = std::from_chars(column.data(), end, number);
        if (read.ec == std::errc{} && read.ptr == end && number >= 1 && number <= width_) return number - 1;
        std::vector<std::string> names;
        for (std::size_t i = 0; i < width_; ++i)
            names.push_back(name_of(i));
        return fail(fmt::format("There is no column \"{}\". There are: {}.", column, fmt::join(names, ", ")));
    }

    Result<void> find_time() {
        if (!order_.time.empty()) {
            const auto column = told(order_.time);
            if (!column) return tl::unexpected(column.error());
            found_.time = *column;
            return {};
        }
        for (std::size_t i = 0; i < width_; ++i) {
            if (!are_mostly(i, looks_like_time)) continue;
            found_.time = i;
            return {};
        }
        return fail("No column of times was found. Name it: --time COLUMN, by its name or its number.");
    }

    Result<void> find_volume() {
        const bool is_told = !order_.register_column.empty() || !order_.consumption.empty();
        if (is_told) {
            found_.is_consumption = !order_.consumption.empty();
            const auto column = told(found_.is_consumption ? order_.consumption : order_.register_column);
            if (!column) return tl::unexpected(column.error());
            found_.volume = *column;
            return {};
        }
        std::vector<std::size_t> numbers;
        for (std::size_t i = 0; i < width_; ++i) {
            if (i != found_.time && are_mostly(i, looks_like_volume)) numbers.push_back(i);
        }
        if (numbers.size() != 1) {
            std::vector<std::string> names;
            for (const std::size_t column : numbers)
                names.push_back(name_of(column));
            return fail(fmt::format(
                "{}. Name it: --register COLUMN if it holds what the meter showed, --consumption COLUMN if "
                "it holds what ran.",
                numbers.empty() ? std::string("No column of volumes was found")
                                : fmt::format("Several columns hold numbers: {}", fmt::join(names, ", "))));
        }
        found_.volume = numbers.front();
        found_.is_consumption = is_likely_consumption();
        return {};
    }

    /// The column's name decides. Otherwise, values that often fall are consumption.
    [[nodiscard]] bool is_likely_consumption() const {
        if (found_.has_names && found_.volume < rows_.front().cells.size()) {
            const std::string name = small(rows_.front().cells[found_.volume]);
            if (contains_any(name, {"consum", "usage", "verbrauch", "used"})) return true;
            if (contains_any(name, {"register", "reading", "stand", "total", "index", "cumul"})) return false;
        }
        std::size_t up = 0;
        std::size_t down = 0;
        std::optional<std::int64_t> before;
        for (const std::string_view cell : cells_of(found_.volume)) {
            const auto volume = read_volume(cell, guessed_decimal());
            if (before && volume) {
                up += *volume > *before ? 1 : 0;
                down += *volume < *before ? 1 : 0;
            }
            if (volume) before = volume;
        }
        // The newest row may be the first.
        return std::min(up, down) * 10 > std::max(up, down);
    }

    Result<void> find_dates() {
        found_.dates = order_.dates;
        if (found_.dates != DateOrder::unknown) return {};
        bool is_needed = false;
        for (std::size_t i = found_.has_names ? 1 : 0; i < rows_.size(); ++i) {
            if (found_.time >= rows_[i].cells.size()) continue;
            const std::string& cell = rows_[i].cells[found_.time];
            const std::string_view day = std::string_view(cell).substr(0, cell.find(' '));
            is_needed |= needs_date_order(day);
            const DateOrder proven = date_order_of(day);
            if (proven == DateOrder::unknown) continue;
            found_.dates = proven;
            return {};
        }
        if (!is_needed) return {};
        return fail(
            "Every date can be read in two ways: 3/4 may be in March or in April. Say which: --dates "
            "day-first, or --dates month-first.");
    }

    [[nodiscard]] char guessed_decimal() const {
        if (order_.decimal != 0) return order_.decimal;
        bool has_comma = false;
        for (const std::string_view cell : cells_of(found_.volume)) {
            const auto comma = cell.rfind(',');
            const auto point = cell.rfind('.');
            if (comma != std::string_view::npos && point != std::string_view::npos)
                return comma > point ? ',' : '.';
            // A sign that occurs twice in a number separates thousands.
            if (std::ranges::count(cell, ',') > 1) return '.';
            if (std::ranges::count(cell, '.') > 1) return ',';
            has_comma |= comma != std::string_view::npos;
        }
        return has_comma ? ',' : '.';
    }

    void find_decimal() { found_.decimal = guessed_decimal(); }

    Result<void> find_unit() {
        found_.unit = order_.unit.empty() ? unit_in_name() : order_.unit;
        if (parse_volume_l("1 " + found_.unit)) return {};
        return fail(
            fmt::format("\"{}\" is not a unit of volume here. Give --unit m3, L, gal_us, gal_imp or ft3.",
                        harmless_text(found_.unit)));
    }

    /// "Register (m³)", "used_l": else cubic metres, which registers show.
    [[nodiscard]] std::string unit_in_name() const {
        if (!found_.has_names || found_.volume >= rows_.front().cells.size()) return "m3";
        const std::string name = small(rows_.front().cells[found_.volume]);
        if (contains_any(name, {"m3", "m\xC2\xB3"})) return "m3";
        if (contains_any(name, {"(l)", "[l]", "_l", " l", "litre", "liter"})) return "L";
        if (contains_any(name, {"ft3", "cubic f"})) return "ft3";
        return "m3";
    }

    const std::vector<CsvRow>& rows_;
    const FileOrder& order_;
    std::size_t width_ = 0;
    Columns found_;
};

}  // namespace

Result<Columns> find_columns(const std::vector<CsvRow>& rows, const FileOrder& order) {
    return Finder(rows, order).find();
}

}  // namespace tickledger
