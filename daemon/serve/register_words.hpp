// What a register, a reading of it and an adjustment mean, in sentences.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "book/register_rules.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// How far what a register should show can be known.
struct RegisterState {
    Instant at{};  ///< Of the last message: what ran since is not in it.
    std::int64_t register_ul = 0;
    /// Either way: the register's resolution, and one tick that may be under way.
    std::int64_t tolerance_ul = 0;
    /// The most that may have run unseen since the register was last known, and in how many entries.
    std::int64_t unseen_ticks_max = 0;
    std::int64_t unseen_ul_max = 0;
    std::size_t unseen_count = 0;
    std::optional<Instant> read_by_eye_at;
    /// Neither the configuration nor a reading by eye told where it started.
    bool start_unknown = false;
    /// What a reader of the register says that it shows.
    std::optional<std::int64_t> read_ul;
};

[[nodiscard]] std::string words_for(const RegisterState& state, const std::string& meter,
                                    const CivilZone& zone, Instant now);

/// The most ticks that may have run unseen in an entry.
[[nodiscard]] std::int64_t unseen_ticks_max(const Entry& entry, const MeterSettings& settings);

/// What the adjustment to a reading says. `unseen`: the entries of its span in which ticks may have run
/// unseen.
[[nodiscard]] std::string words_for(const RegisterReading& reading, const std::string& volume_l,
                                    const std::vector<Entry>& unseen, const MeterSettings& settings,
                                    const CivilZone& zone);

}  // namespace tickledger
