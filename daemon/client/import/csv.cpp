#include "client/import/csv.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>

namespace tickledger {

namespace {

constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
constexpr std::size_t lines_looked_at = 50;

class Reader {
public:
    Reader(std::string_view text, char delimiter) : text_(text), delimiter_(delimiter) {}

    Result<std::vector<CsvRow>> read() {
        std::vector<CsvRow> rows;
        while (at_ < text_.size()) {
            CsvRow row{line_, {}};
            for (bool is_more = true; is_more;) {
                std::string cell;
                if (auto read = read_cell(cell); !read) return tl::unexpected(read.error());
                row.cells.push_back(std::move(cell));
                is_more = at_ < text_.size() && text_[at_] == delimiter_;
                if (is_more) ++at_;
            }
            end_line();
            if (row.cells.size() > 1 || !row.cells.front().empty()) rows.push_back(std::move(row));
        }
        return rows;
    }

private:
    [[nodiscard]] bool is_line_end() const { return text_[at_] == '\n' || text_[at_] == '\r'; }

    void end_line() {
        if (at_ == text_.size()) return;
        const bool is_pair = text_[at_] == '\r' && at_ + 1 < text_.size() && text_[at_ + 1] == '\n';
        at_ += is_pair ? 2 : 1;
        ++line_;
    }

    Result<void> read_cell(std::string& cell) {
        if (at_ < text_.size() && text_[at_] == '"') {
            if (auto quoted = read_quoted(cell); !quoted) return quoted;
        }
        // Text after a closing quote is kept, so that the cell is reported as unreadable and not cut
        // silently.
        while (at_ < text_.size() && text_[at_] != delimiter_ && !is_line_end())
            cell += text_[at_++];
        return {};
    }

    Result<void> read_quoted(std::string& cell) {
        const std::size_t begun = line_;
        for (++at_; at_ < text_.size(); ++at_) {
            if (text_[at_] == '"') {
                if (at_ + 1 == text_.size() || text_[at_ + 1] != '"') {
                    ++at_;
                    return {};
                }
                ++at_;
            }
            if (text_[at_] == '\n') ++line_;
            cell += text_[at_];
        }
        return fail(fmt::format("A quote that begins in line {} is not closed.", begun));
    }

    std::string_view text_;
    const char delimiter_;
    std::size_t at_ = 0;
    std::size_t line_ = 1;
};

std::string_view without_mark(std::string_view text) {
    return text.starts_with(byte_order_mark) ? text.substr(byte_order_mark.size()) : text;
}

/// The first lines, cut at a line's end.
std::string_view head_of(std::string_view text) {
    std::size_t at = 0;
    for (std::size_t lines = 0; lines < lines_looked_at && at < text.size(); ++lines)
        at = std::min(text.find('\n', at), text.size() - 1) + 1;
    return text.substr(0, at);
}

}  // namespace

Result<std::vector<CsvRow>> read_csv(std::string_view text, char delimiter) {
    return Reader(without_mark(text), delimiter).read();
}

char likely_delimiter(std::string_view text) {
    const std::string_view head = head_of(text);
    for (const char delimiter : {';', '\t', ',', '|'}) {
        const auto rows = read_csv(head, delimiter);
        if (!rows || rows->empty()) continue;
        const std::size_t fields = rows->back().cells.size();
        const bool is_even =
            std::ranges::all_of(*rows, [&](const CsvRow& row) { return row.cells.size() == fields; });
        if (fields > 1 && is_even) return delimiter;
    }
    // Lines above the table may have fewer fields: then the delimiter that most lines have.
    char likely = ',';
    std::size_t most = 0;
    for (const char delimiter : {';', '\t', ',', '|'}) {
        const auto count = static_cast<std::size_t>(std::ranges::count(head, delimiter));
        if (count > most) {
            most = count;
            likely = delimiter;
        }
    }
    return likely;
}

}  // namespace tickledger
