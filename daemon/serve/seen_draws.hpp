// The draws of a meter as every question is answered: found in its entries, and labelled.
#pragma once

#include <vector>

#include "book/valuation.hpp"
#include "serve/call.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

struct SeenDraws {
    /// In order of time. Their flows follow the pulse values of their own times.
    std::vector<Draw> draws;
    /// Those that began before the span and still ran when it began, such as a leak that lasts for days.
    std::vector<Draw> begun_before;
    std::vector<ToldDraw> told;
    PulseValues values{{1, 1}};
};

/// The draws that begin in the span.
///
/// A draw is labelled by its house's other draws, so its answer depends on how many of them are looked at. To
/// give every question the same answer, whatever its range, time is divided into weeks, from Monday 04:00 to
/// Monday 04:00. The draws of a week are always found together with those of the two weeks before it. No draw
/// goes on over the end of a week. If a week has too many readings for that, days take the place of weeks.
///
/// Fails with 400 if the span has more readings than one answer can look at.
[[nodiscard]] OrProblem<SeenDraws> see_draws(const Call& call, LedgerView& view, const FoundMeter& meter,
                                             Span span);

}  // namespace tickledger
