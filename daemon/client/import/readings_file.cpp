#include "client/import/readings_file.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <limits>
#include <map>

#include "client/import/columns.hpp"
#include "client/import/csv.hpp"
#include "core/harmless.hpp"

namespace tickledger {

namespace {

/// So much of a cell is enough to find it.
constexpr std::size_t shown_bytes = 60;

/// A row that was understood: what it tells is a register, or what ran.
struct Told {
    Instant at{};
    std::int64_t volume = 0;
    std::size_t line = 0;
};

/// How long one row of consumption lasts.
struct RowLength {
    enum class Kind : std::uint8_t { until_next, month, days, time } kind = Kind::until_next;
    date::days days{1};
    Duration time{};

    [[nodiscard]] Instant end_of(Instant begin, const CivilZone& zone) const {
        switch (kind) {
            case Kind::month:
                return zone.row_at(Step::month, {}, begin).to;
            case Kind::days:
                return zone.start_of(date::sys_days{zone.date_of(begin)} + days);
            case Kind::time:
            case Kind::until_next:
                break;
        }
        return begin + time;
    }
    [[nodiscard]] Instant begin_of(Instant end, const CivilZone& zone) const {
        switch (kind) {
            case Kind::month:
                return zone.row_at(Step::month, {}, end - Duration{1}).from;
            case Kind::days:
                return zone.start_of(date::sys_days{zone.date_of(end)} - days);
            case Kind::time:
            case Kind::until_next:
                break;
        }
        return end - time;
    }
};

/// The distance that at least half of the rows have.
template <typename Length>
std::optional<Length> usual(const std::vector<Length>& lengths) {
    std::map<Length, std::size_t> counts;
    for (const Length& length : lengths)
        ++counts[length];
    for (const auto& [length, count] : counts) {
        if (2 * count >= lengths.size()) return length;
    }
    return std::nullopt;
}

RowLength length_of_rows(const std::vector<Told>& rows, const CivilZone& zone) {
    const auto all = [&](Step step) {
        return std::ranges::all_of(
            rows, [&](const Told& row) { return zone.row_at(step, {}, row.at).from == row.at; });
    };
    if (rows.size() < 2) return {};
    if (all(Step::month)) return {.kind = RowLength::Kind::month};
    if (all(Step::day)) {
        std::vector<int> days;
        for (std::size_t i = 1; i < rows.size(); ++i)
            days.push_back(static_cast<int>(
                (date::sys_days{zone.date_of(rows[i].at)} - date::sys_days{zone.date_of(rows[i - 1].at)})
                    .count()));
        if (const auto found = usual(days))
            return {.kind = RowLength::Kind::days, .days = date::days{*found}};
        return {};
    }
    std::vector<Duration> lengths;
    for (std::size_t i = 1; i < rows.size(); ++i)
        lengths.push_back(rows[i].at - rows[i - 1].at);
    if (const auto found = usual(lengths)) return {.kind = RowLength::Kind::time, .time = *found};
    return {};
}

class Understanding {
public:
    Understanding(const FileOrder& order, const CivilZone& zone) : order_(order), zone_(zone) {}

    Result<FileContents> read(std::string_view text) {
        if (text.starts_with("\xFF\xFE") || text.starts_with("\xFE\xFF"))
            return fail("The file is in UTF-16. Save it as UTF-8, or as plain CSV.");
        contents_.delimiter = order_.delimiter != 0 ? order_.delimiter : likely_delimiter(text);
        const auto rows = read_csv(text, contents_.delimiter);
        if (!rows) return tl::unexpected(rows.error());
        if (rows->empty()) return fail("The file is empty.");
        const auto columns = find_columns(*rows, order_);
        if (!columns) return tl::unexpected(columns.error());
        take(*columns);
        read_rows(*rows, *columns);
        if (told_.size() < 2)
            return fail(fmt::format("Of {} rows, {} could be read, but at least two are needed. {}",
                                    contents_.rows, told_.size(),
                                    contents_.unreadable.empty() ? "" : contents_.unreadable.front().text));
        if (columns->is_consumption) {
            add_up();
        } else {
            follow_register();
        }
        std::erase_if(contents_.stretches, [](const auto& stretch) { return stretch.size() < 2; });
        if (contents_.stretches.empty())
            return fail("No two rows follow one another, so nothing can be imported.");
        if (is_sum_too_large())
            return fail(fmt::format(
                "The volumes in {} add up to more than {} {}. Check the column and the decimal sign.",
                contents_.volume_column, std::numeric_limits<std::int64_t>::max() / volume_one,
                contents_.unit));
        return std::move(contents_);
    }

private:
    void take(const Columns& columns) {
        contents_.decimal = columns.decimal;
        contents_.time_column = columns.time_name;
        contents_.volume_column = columns.volume_name;
        contents_.unit = columns.unit;
        contents_.is_consumption = columns.is_consumption;
    }

    void read_rows(const std::vector<CsvRow>& rows, const Columns& columns) {
        struct Cells {
            std::size_t line;
            ToldTime time;
            std::int64_t volume;
            std::string told;
        };
        std::vector<Cells> read;
        for (std::size_t i = columns.has_names ? 1 : 0; i < rows.size(); ++i) {
            const CsvRow& row = rows[i];
            ++contents_.rows;
            const auto cell = [&](std::size_t column) {
                return column < row.cells.size() ? row.cells[column] : std::string{};
            };
            const auto time = read_time(cell(columns.time), columns.dates);
            const auto volume = read_volume(cell(columns.volume), columns.decimal);
            if (time && volume) {
                read.push_back({row.line, *time, *volume, cell(columns.time)});
            } else {
                contents_.unreadable.push_back(
                    {row.line, fmt::format("\"{}\" is not a {}.",
                                           harmless_text((time ? cell(columns.volume) : cell(columns.time))
                                                             .substr(0, shown_bytes)),
                                           time ? "volume" : "time")});
            }
        }
        const auto placed = [&](const Cells& cells) { return place(cells.time, zone_).at; };
        // Newest first is turned round, so that an hour that happens twice follows what was before it.
        if (read.size() > 1 && placed(read.back()) < placed(read.front())) std::ranges::reverse(read);
        for (const Cells& cells : read) {
            const PlacedTime at = place(cells.time, zone_);
            Told told{at.at, cells.volume, cells.line};
            if (at.kind == WallTime::twice) {
                const bool is_second = !told_.empty() && told_.back().at >= at.at;
                if (is_second) told.at = at.second_at;
                contents_.wall_clock.push_back(
                    {cells.line, fmt::format("{} happens twice; it is taken as {}.",
                                             harmless_text(cells.told), zone_.format(told.at))});
            } else if (at.kind == WallTime::never) {
                contents_.wall_clock.push_back(
                    {cells.line,
                     fmt::format("{} does not exist because the clock is set ahead then; it is taken as {}.",
                                 harmless_text(cells.told), zone_.format(told.at))});
            }
            told_.push_back(told);
        }
        std::ranges::stable_sort(told_, {}, &Told::at);
        leave_out_repeated();
    }

    /// Of two rows of one moment the first counts.
    void leave_out_repeated() {
        std::vector<Told> kept;
        for (const Told& row : told_) {
            if (kept.empty() || kept.back().at != row.at) {
                kept.push_back(row);
            } else if (contents_.is_consumption || kept.back().volume != row.volume) {
                contents_.unreadable.push_back(
                    {row.line,
                     fmt::format("It gives a different volume for the time of line {}.", kept.back().line)});
            }
        }
        told_ = std::move(kept);
    }

    std::string span_text(Instant from, Instant to) const {
        return fmt::format("{} to {}", zone_.format(from), zone_.format(to));
    }

    void follow_register() {
        contents_.stretches.push_back({{told_.front().at, told_.front().volume, told_.front().line}});
        for (std::size_t i = 1; i < told_.size(); ++i) {
            const Told& before = told_[i - 1];
            const Told& row = told_[i];
            if (row.volume < before.volume) {
                contents_.running_back.push_back(
                    {row.line,
                     fmt::format("The register runs backwards from {} to {}, {}: the water of that time is "
                                 "left out.",
                                 volume_text(before.volume), volume_text(row.volume),
                                 span_text(before.at, row.at))});
                contents_.stretches.emplace_back();
            } else if (row.at - before.at > reading_distance_max) {
                contents_.gaps.push_back(
                    {row.line, fmt::format("No rows from {}: too long to know when the water ran, so it is "
                                           "left out.",
                                           span_text(before.at, row.at))});
                contents_.stretches.emplace_back();
            }
            contents_.stretches.back().push_back({row.at, row.volume, row.line});
        }
    }

    /// The beginnings and ends of rows of consumption; the last or first one has none where no length is
    /// usual.
    std::vector<std::pair<Span, Told>> spans_of_rows() {
        const RowLength length = length_of_rows(told_, zone_);
        const bool is_regular = length.kind != RowLength::Kind::until_next;
        std::vector<std::pair<Span, Told>> spans;
        for (std::size_t i = 0; i < told_.size(); ++i) {
            const Told& row = told_[i];
            Span span{row.at, row.at};
            if (order_.times_are_ends) {
                if (is_regular) span.from = length.begin_of(row.at, zone_);
                if (i > 0) span.from = is_regular ? std::max(span.from, told_[i - 1].at) : told_[i - 1].at;
            } else {
                if (is_regular) span.to = length.end_of(row.at, zone_);
                if (i + 1 < told_.size())
                    span.to = is_regular ? std::min(span.to, told_[i + 1].at) : told_[i + 1].at;
            }
            if (span.from < span.to) {
                spans.emplace_back(span, row);
            } else {
                contents_.unreadable.push_back(
                    {row.line,
                     "Its length is unknown because the rows are not evenly spaced; it is left out."});
            }
        }
        return spans;
    }

    void add_up() {
        std::int64_t sum = 0;
        for (const auto& [span, row] : spans_of_rows()) {
            std::int64_t next = 0;
            if (span.length() > reading_distance_max || __builtin_add_overflow(sum, row.volume, &next)) {
                contents_.gaps.push_back({row.line, fmt::format("{} is too long or has too much volume, so "
                                                                "it is left out.",
                                                                span_text(span.from, span.to))});
                continue;
            }
            auto& stretches = contents_.stretches;
            const bool goes_on = !stretches.empty() && stretches.back().back().at == span.from;
            if (!goes_on) {
                if (!stretches.empty())
                    contents_.gaps.push_back(
                        {row.line,
                         fmt::format("No rows for {}.", span_text(stretches.back().back().at, span.from))});
                stretches.push_back({{span.from, sum, row.line}});
            }
            sum = next;
            stretches.back().push_back({span.to, sum, row.line});
        }
    }

    /// Each stretch fits, but a register that often runs back has many.
    [[nodiscard]] bool is_sum_too_large() const {
        std::int64_t sum = 0;
        return std::ranges::any_of(contents_.stretches, [&](const auto& stretch) {
            return __builtin_add_overflow(sum, stretch.back().volume - stretch.front().volume, &sum);
        });
    }

    const FileOrder& order_;
    const CivilZone& zone_;
    FileContents contents_;
    std::vector<Told> told_;
};

}  // namespace

Result<FileContents> understand(std::string_view text, const FileOrder& order, const CivilZone& zone) {
    return Understanding(order, zone).read(text);
}

}  // namespace tickledger
