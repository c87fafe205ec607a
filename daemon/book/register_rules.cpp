#include "book/register_rules.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "tickledger/counter.hpp"
#include "tickledger/pulse_value.hpp"

namespace tickledger {

namespace {

// How far the clocks of a person's device and of the server may be apart.
constexpr Duration clock_tolerance = std::chrono::minutes{2};
// A first reading this far beyond the counted ticks means that nobody ever gave the register's start.
constexpr std::int64_t far_off_ul = 1'000'000'000;
constexpr std::int64_t far_off_times = 10;

/// A value of the register that limits the reading, before or after it.
struct Neighbour {
    Instant at{};
    std::int64_t unrolled_ul = 0;
    std::string what;  ///< "the reading of 2026-03-01T… (12.5 m³)".
};

Neighbour start_of(const RegisterBasis& basis) {
    const std::int64_t start_ul = microlitres(basis.start_l);
    return {*basis.first_at, start_ul,
            fmt::format("the register's start ({} at {})", cubic_metres(start_ul),
                        basis.zone.format(*basis.first_at))};
}

Neighbour neighbour(const RegisterReading& reading, const RegisterBasis& basis) {
    return {reading.at, unrolled_ul(reading, basis.settings),
            fmt::format("the reading of {} ({})", basis.zone.format(reading.at),
                        cubic_metres(reading.register_ul))};
}

std::int64_t possible_ul(const MeterSettings& settings, Duration time) {
    const CounterRules rules(settings);
    const std::uint64_t ticks = std::min<std::uint64_t>(rules.plausible_max(time), std::int64_t{1} << 62);
    return scaled_volume(static_cast<std::int64_t>(ticks), settings.pulse_value_l, {0, 1}, 1,
                         digits_register);
}

tl::unexpected<Error> impossible(const Neighbour& earlier, const Neighbour& later,
                                 const RegisterBasis& basis) {
    return fail(fmt::format(
        "From {} to {}, {} would have run. With this meter's `q3`, at most {} can run in that time. "
        "Check the register and the time again: do the digits before the decimal point count cubic metres?",
        earlier.what, later.what, cubic_metres(later.unrolled_ul - earlier.unrolled_ul),
        cubic_metres(possible_ul(basis.settings, later.at - earlier.at))));
}

/// Whether the register can have gone from one to the other.
Result<void> check_between(const Neighbour& earlier, const Neighbour& later, const RegisterBasis& basis) {
    const std::int64_t rise_ul = later.unrolled_ul - earlier.unrolled_ul;
    if (rise_ul < 0) {
        return fail(
            fmt::format("{} is below {}, and a register does not run backwards. Check the reading. If the "
                        "digits have started again at 0, set register_range of this meter in the "
                        "configuration.",
                        later.what, earlier.what));
    }
    const std::int64_t slack_ul = microlitres(basis.settings.register_resolution_l);
    if (rise_ul > possible_ul(basis.settings, later.at - earlier.at) + slack_ul)
        return impossible(earlier, later, basis);
    return {};
}

/// A large first difference more often means an unknown start of the register than a thousand missed ticks.
Result<void> check_first(const SaidReading& said, const RegisterBasis& basis) {
    const MeterSettings& settings = basis.settings;
    if (basis.start_l.numerator != 0) return {};
    const std::int64_t counted_ul =
        scaled_volume(basis.total_ticks, settings.pulse_value_l, {0, 1}, 1, digits_register);
    if (said.register_ul - counted_ul <= far_off_ul + far_off_times * counted_ul) return {};
    return fail(fmt::format(
        "{} would mean that {} were missed since {}, in addition to {} counted. The register's start is not "
        "known yet. Set it with this first reading: `tickledger register --start READING`, or \"start\": true.",
        cubic_metres(said.register_ul), cubic_metres(said.register_ul - counted_ul),
        basis.zone.format(*basis.first_at), cubic_metres(counted_ul)));
}

Result<void> check_moment(const SaidReading& said, const RegisterBasis& basis, Instant now) {
    const CivilZone& zone = basis.zone;
    if (said.at > now + clock_tolerance) {
        return fail(
            fmt::format("{} is in the future: the time here is {}.", zone.format(said.at), zone.format(now)));
    }
    if (said.at < *basis.first_at || (said.at == *basis.first_at && !said.starts)) {
        return fail(
            fmt::format("{} is not after the first booked reading of this meter, {}: nothing was counted "
                        "until then. What the "
                        "register showed at that reading is register_start in the configuration.",
                        zone.format(said.at), zone.format(*basis.first_at)));
    }
    if (basis.fine_detail_from && said.at < *basis.fine_detail_from) {
        return fail(
            fmt::format("{} is before {}. Entries of that time are no longer kept in detail "
                        "(keep_readings), so the reading cannot be compared with them.",
                        zone.format(said.at), zone.format(*basis.fine_detail_from)));
    }
    return {};
}

Result<void> check_number(const SaidReading& said, const RegisterBasis& basis) {
    const std::int64_t range_ul = microlitres(basis.settings.register_range_l);
    if (said.register_ul < 0 || (range_ul > 0 && said.register_ul >= range_ul)) {
        return fail(fmt::format("This register cannot show {}: register_range is {}.",
                                cubic_metres(said.register_ul), cubic_metres(range_ul)));
    }
    if (basis.readings.empty()) return said.starts ? Result<void>{} : check_first(said, basis);
    if (!said.starts) return {};
    return fail(
        fmt::format("The register's start can be set only before any other reading by eye, and there is one "
                    "of {}. Take those readings back first, starting with the newest.",
                    basis.zone.format(basis.readings.front().at)));
}

}  // namespace

std::int64_t microlitres(Ratio volume_l) {
    return scaled_volume(1, volume_l, {0, 1}, 1, digits_register);
}

std::string cubic_metres(std::int64_t volume_ul) {
    std::string text = decimal(volume_ul, 9);
    // A register shows litres, so three digits always stay.
    while (text.ends_with('0') && text[text.size() - 4] != '.')
        text.pop_back();
    return text + " m³";
}

std::int64_t unrolled_ul(const RegisterReading& reading, const MeterSettings& settings) {
    return reading.register_ul + reading.turns * microlitres(settings.register_range_l);
}

Result<JudgedReading> judge(const SaidReading& said, const RegisterBasis& basis, Instant now) {
    const CivilZone& zone = basis.zone;
    if (!basis.first_at) {
        return fail(
            "Nothing has been booked for this meter yet, so there is nothing to compare with. Wait for its "
            "first message.");
    }
    const auto& readings = basis.readings;
    JudgedReading judged;
    const auto place = std::lower_bound(readings.begin(), readings.end(), said.at,
                                        [](const RegisterReading& one, Instant at) { return one.at < at; });
    judged.place = static_cast<std::size_t>(place - readings.begin());
    if (place != readings.end() && place->at == said.at) {
        judged.is_known = place->register_ul == said.register_ul && place->starts == said.starts;
        if (judged.is_known) return judged;
        return fail(
            fmt::format("There is already a reading of {}: {}. Take it back first, then enter the new one.",
                        zone.format(said.at), cubic_metres(place->register_ul)));
    }
    const auto possible = check_moment(said, basis, now).and_then([&] { return check_number(said, basis); });
    if (!possible) return tl::unexpected(possible.error());
    if (said.starts) return judged;
    const std::int64_t range_ul = microlitres(basis.settings.register_range_l);
    const Neighbour earlier =
        judged.place > 0 ? neighbour(readings[judged.place - 1], basis) : start_of(basis);
    if (range_ul > 0) {
        judged.turns = earlier.unrolled_ul / range_ul;
        if (said.register_ul + judged.turns * range_ul < earlier.unrolled_ul) ++judged.turns;
    }
    RegisterReading here;
    here.at = said.at;
    here.register_ul = said.register_ul;
    here.turns = judged.turns;
    const Neighbour said_here = neighbour(here, basis);
    if (const auto fits = check_between(earlier, said_here, basis); !fits)
        return tl::unexpected(fits.error());
    if (place != readings.end()) {
        const auto fits = check_between(said_here, neighbour(*place, basis), basis);
        if (!fits) return tl::unexpected(fits.error());
    }
    return judged;
}

Result<std::size_t> judge_taking_back(Instant at, const RegisterBasis& basis) {
    const auto& readings = basis.readings;
    const auto found = std::find_if(readings.begin(), readings.end(),
                                    [at](const RegisterReading& one) { return one.at == at; });
    if (found == readings.end())
        return fail(fmt::format("There is no reading by eye of {}.", basis.zone.format(at)));
    if (found->starts && readings.size() > 1) {
        return fail(
            fmt::format("The reading of {} sets the register's start, which the later readings depend on. "
                        "Take those back first.",
                        basis.zone.format(at)));
    }
    if (basis.fine_detail_from && at < *basis.fine_detail_from) {
        return fail(
            fmt::format("The reading of {} is older than the entries kept in detail (keep_readings), so "
                        "its adjustment stays.",
                        basis.zone.format(at)));
    }
    return static_cast<std::size_t>(found - readings.begin());
}

}  // namespace tickledger
