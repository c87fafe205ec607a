// Describes a register, a reading of it and an adjustment in sentences.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "book/register_rules.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

/// What a register should show, and how certain that is.
struct RegisterState {
    Instant at{};  ///< When the last message came; later water is not included.
    std::int64_t register_ul = 0;
    /// In both directions: the register's resolution, and one tick that may be in progress.
    std::int64_t tolerance_ul = 0;
    /// The most that may have run unseen since the register was last known, and the number of entries in
    /// which it may.
    std::int64_t unseen_ticks_max = 0;
    std::int64_t unseen_ul_max = 0;
    std::size_t unseen_count = 0;
    std::optional<Instant> read_by_eye_at;
    /// True if neither the configuration nor a reading by eye gave the register's start.
    bool start_unknown = false;
    /// What a device that reads the register says that it shows.
    std::optional<std::int64_t> read_ul;
};

[[nodiscard]] std::string words_for(const RegisterState& state, const std::string& meter,
                                    const CivilZone& zone, Instant now);

/// The most ticks that may have run unseen in an entry.
[[nodiscard]] std::int64_t unseen_ticks_max(const Entry& entry, const MeterSettings& settings);

/// Explains the adjustment for a reading. `unseen`: the entries of its span in which ticks may have run
/// unseen. `heard_until`: the last message's moment. What runs after it is not counted yet.
[[nodiscard]] std::string words_for(const RegisterReading& reading, const std::string& volume_l,
                                    const std::vector<Entry>& unseen, std::optional<Instant> heard_until,
                                    const MeterSettings& settings, const CivilZone& zone);

}  // namespace tickledger
