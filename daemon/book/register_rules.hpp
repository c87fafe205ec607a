// Whether a reading of the register by eye can be true. Asked by the call that takes it, so that a mistake is
// answered in words, and again when it is booked, since messages may have come in between.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

#include "book/account.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// What a person says the register shows. Volumes in microlitres.
struct SaidReading {
    Instant at{};
    std::int64_t register_ul = 0;
    /// One unit of the last digit that was told.
    std::int64_t given_to_ul = 1;
    /// The register's start is told, nothing is to be adjusted.
    bool starts = false;
};

/// What is known of a meter where a reading is judged.
struct RegisterBasis {
    const MeterSettings& settings;
    std::optional<Instant> first_at;
    Ratio start_l;
    std::int64_t total_ticks = 0;
    /// In order of time.
    std::span<const RegisterReading> readings;
    /// Entries that ended before this are no longer kept.
    std::optional<Instant> fine_detail_from;
    const CivilZone& zone;
};

struct JudgedReading {
    /// Its place among the readings.
    std::size_t place = 0;
    /// It is known already: nothing is to be done.
    bool is_known = false;
    std::int64_t turns = 0;
};

/// Fails with what is wrong and what to do: in the future, before the first booked reading, not after the
/// reading before it (unless the register begins again at `register_range`), more than can have run.
[[nodiscard]] Result<JudgedReading> judge(const SaidReading& said, const RegisterBasis& basis, Instant now);

/// Whether the reading of that moment may be taken back, and its place.
[[nodiscard]] Result<std::size_t> judge_taking_back(Instant at, const RegisterBasis& basis);

/// The register at a reading, as if it had never begun again.
[[nodiscard]] std::int64_t unrolled_ul(const RegisterReading& reading, const MeterSettings& settings);

[[nodiscard]] std::int64_t microlitres(Ratio volume_l);
/// "1234.567 m³", with as many digits as there are.
[[nodiscard]] std::string cubic_metres(std::int64_t volume_ul);

}  // namespace tickledger
