// Writes the rows of civil time of one meter, for its own call and for that of all meters.
#pragma once

#include <optional>
#include <string>

#include "serve/call.hpp"

namespace tickledger {

/// The parameters of a call, which hold for each meter.
struct UsageAsked {
    Step step = Step::day;
    std::optional<Instant> from;  ///< Empty: a default that depends on the step.
    Instant to{};
    const TariffSettings* tariff = nullptr;  ///< Null if the cost was not asked for.
};

[[nodiscard]] OrProblem<UsageAsked> usage_asked(const Call& call);

/// The range of a meter's rows as asked for, or the default. Fails with the store's words.
[[nodiscard]] Result<Span> unchecked_usage_range(const ApiParts& parts, LedgerView& view,
                                                 const FoundMeter& meter, const UsageAsked& asked);
/// The same range. Refused if it is empty or too long.
[[nodiscard]] OrProblem<Span> usage_range(const ApiParts& parts, LedgerView& view, const FoundMeter& meter,
                                          const UsageAsked& asked);

/// Writes the document of one meter in parts.
class UsageDocument {
public:
    /// The parts must outlive it.
    UsageDocument(const ApiParts& parts, FoundMeter meter, PulseValues values, const UsageAsked& asked,
                  Span range);

    /// Writes at most `rows_left` rows and subtracts those written. Returns false after the last part.
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
    std::string begins_;  ///< The beginning of the next row as text.
    bool begun_ = false;
    bool is_first_row_ = true;
};

/// The document of the meter. Fails with the store's words.
[[nodiscard]] Result<UsageDocument> usage_document(const ApiParts& parts, const FoundMeter& meter,
                                                   const UsageAsked& asked, Span range);

}  // namespace tickledger
