// The rows of civil time of one meter, as its own call and that for all meters tell them.
#pragma once

#include <optional>
#include <string>

#include "serve/call.hpp"

namespace tickledger {

/// What the parameters of a call ask of each meter.
struct UsageAsked {
    Step step = Step::day;
    std::optional<Instant> from;  ///< Without it, what suits the step.
    Instant to{};
    const TariffSettings* tariff = nullptr;  ///< Null: nobody asked what it cost.
};

[[nodiscard]] OrProblem<UsageAsked> usage_asked(const Call& call);

/// Where the rows of a meter begin, and where there is none any more. Refused where that is empty or too
/// long.
[[nodiscard]] OrProblem<Span> usage_range(const ApiParts& parts, LedgerView& view, const FoundMeter& meter,
                                          const UsageAsked& asked);

/// Writes the document of one meter part by part.
class UsageDocument {
public:
    /// The parts must outlive it.
    UsageDocument(const ApiParts& parts, FoundMeter meter, PulseValues values, const UsageAsked& asked,
                  Span range);

    /// Writes at most so many rows, and takes off those that it has written. False: that was the last part.
    [[nodiscard]] Result<bool> write_part(LedgerView& view, int& rows_left, std::string& chunk);

private:
    void begin(std::string& chunk);
    [[nodiscard]] Result<void> add_row(LedgerView& view, std::string& chunk);

    FoundMeter meter_;
    PulseValues values_;
    const TariffSettings* tariff_;
    Step step_;
    RowFinder rows_;
    Instant to_;
    Span next_;
    std::string begins_;  ///< The beginning of the next row, in words.
    bool begun_ = false;
    bool is_first_row_ = true;
};

/// The document of the meter, or why there is none.
[[nodiscard]] OrProblem<UsageDocument> usage_document(const ApiParts& parts, LedgerView& view,
                                                      const FoundMeter& meter, const UsageAsked& asked);

}  // namespace tickledger
