// Decides whether a reading of the register by eye can be true. The API call asks first, so that a mistake is
// answered in words. Booking asks again, because messages may have arrived in between.
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
    /// The value of one unit of the last digit that was given.
    std::int64_t given_to_ul = 1;
    /// The reading gives the register's start, and nothing is to be adjusted.
    bool starts = false;
};

/// What is known of a meter when a reading is judged.
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
    /// Its index among the readings.
    std::size_t place = 0;
    /// The reading is known already, so there is nothing to do.
    bool is_known = false;
    std::int64_t turns = 0;
};

/// Fails with what is wrong and what to do. For example, the reading is in the future or before the first
/// booked reading, it is below the reading before it (unless the register starts again at `register_range`),
/// or more would have run than can run through the meter.
[[nodiscard]] Result<JudgedReading> judge(const SaidReading& said, const RegisterBasis& basis, Instant now);

/// The index of the reading of that moment. Fails if there is none, or if it must not be taken back.
[[nodiscard]] Result<std::size_t> judge_taking_back(Instant at, const RegisterBasis& basis);

/// The register at a reading, in microlitres, as if its digits had never started again at 0.
[[nodiscard]] std::int64_t unrolled_ul(const RegisterReading& reading, const MeterSettings& settings);

[[nodiscard]] std::int64_t microlitres(Ratio volume_l);
/// "1234.567 m³", with three to nine decimals.
[[nodiscard]] std::string cubic_metres(std::int64_t volume_ul);

}  // namespace tickledger
