// What a CSV file of readings says: which columns, which times, how much, and what of it cannot be
// understood.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "client/import/told_time.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// Options that a person gave. Empty ones are guessed, and the guess is shown.
struct FileOrder {
    // A column by its name in the first line, or by its number from 1.
    std::string time = {};
    std::string register_column = {};
    std::string consumption = {};
    std::string unit = {};  ///< L, m3, gal_us, gal_imp or ft3.
    char delimiter = 0;
    char decimal = 0;
    DateOrder dates = DateOrder::unknown;
    /// The time of a consumption is the end of what it tells, and not its beginning.
    bool times_are_ends = false;
};

/// Volumes are whole billionths of the unit: finer than any register, and exact.
inline constexpr std::int64_t volume_one = 1'000'000'000;

/// The cumulative volume at one moment.
struct FileReading {
    Instant at{};
    std::int64_t volume = 0;
    std::size_t line = 0;
    bool operator==(const FileReading&) const = default;
};

struct FileNote {
    std::size_t line = 0;
    std::string text;
};

struct FileContents {
    // What was told or guessed.
    char delimiter = ',';
    char decimal = '.';
    std::string time_column;
    std::string volume_column;
    std::string unit;
    bool is_consumption = false;

    std::size_t rows = 0;  ///< Without the header line.
    /// Readings that follow one another without a gap: two at least, in order of time.
    std::vector<std::vector<FileReading>> stretches;

    std::vector<FileNote> unreadable;  ///< Left out.
    std::vector<FileNote> running_back;
    std::vector<FileNote> gaps;
    std::vector<FileNote> wall_clock;  ///< Times that happen twice, or never.

    /// The sum of the stretches. understand() refuses a file whose sum does not fit.
    [[nodiscard]] std::int64_t volume() const;
};

/// Readings further apart than this do not show when the water ran.
inline constexpr std::chrono::days reading_distance_max{400};

/// Reads a whole file. `zone`: that of times without an offset. Fails with what to tell where a column, a
/// unit or an order of dates cannot be guessed, or nothing can be read.
[[nodiscard]] Result<FileContents> understand(std::string_view text, const FileOrder& order,
                                              const CivilZone& zone);

/// A number as the file writes it, with this decimal sign: groups of thousands are understood. Nothing: it is
/// none, is negative or too large. More than nine decimals are rounded.
[[nodiscard]] std::optional<std::int64_t> read_volume(std::string_view text, char decimal);

/// Billionths as a decimal, without zeros at its end: "1234.567".
[[nodiscard]] std::string volume_text(std::int64_t volume);

}  // namespace tickledger
