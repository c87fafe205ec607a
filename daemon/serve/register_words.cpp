#include "serve/register_words.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "tickledger/counter.hpp"
#include "tickledger/pulse_value.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

constexpr std::size_t places_named = 3;

std::string day(Instant t, const CivilZone& zone) {
    return zone.format(t).substr(0, 10);
}

std::string counted(std::int64_t number, std::string_view one, std::string_view many) {
    return fmt::format("{} {}", number, number == 1 ? one : many);
}

std::string ago(Duration time) {
    using namespace std::chrono;
    if (time < minutes{2}) return "just now";
    if (time < hours{2}) return fmt::format("{} minutes ago", floor<minutes>(time).count());
    if (time < hours{48}) return fmt::format("{} hours ago", floor<hours>(time).count());
    return fmt::format("{} days ago", floor<days>(time).count());
}

std::string_view happening(EntryKind kind) {
    switch (kind) {
        case EntryKind::restart:
            return "the restart of the node (a power cut?)";
        case EntryKind::preset:
            return "the jump of the node's count";
        default:
            return "the messages that never came";
    }
}

std::string place(const Entry& entry, const CivilZone& zone) {
    return fmt::format("{} {}", happening(entry.kind), in_words(entry.span, zone));
}

/// The end of a sentence: where ticks were missed, as far as the ledger shows.
std::string where_missed(std::int64_t ticks, std::vector<Entry> unseen, const MeterSettings& settings,
                         const CivilZone& zone) {
    const auto most = [&](const Entry& entry) { return unseen_ticks_max(entry, settings); };
    std::erase_if(unseen, [&](const Entry& entry) { return most(entry) == 0; });
    if (unseen.empty()) {
        return ". The time is not known. All messages arrived, so the sensor must have missed ticks. "
               "`tickledger calibrate` shows whether it misses them at high flow or the pulse value is "
               "wrong.";
    }
    std::int64_t sum = 0;
    for (const Entry& entry : unseen)
        sum += most(entry);
    const auto can_hold_all =
        std::count_if(unseen.begin(), unseen.end(), [&](const Entry& entry) { return most(entry) >= ticks; });
    if (can_hold_all == 1) {
        const auto found = std::find_if(unseen.begin(), unseen.end(),
                                        [&](const Entry& entry) { return most(entry) >= ticks; });
        return fmt::format(", most likely at {}.", place(*found, zone));
    }
    std::stable_sort(unseen.begin(), unseen.end(),
                     [&](const Entry& a, const Entry& b) { return most(a) > most(b); });
    std::string places;
    for (std::size_t i = 0; i < std::min(unseen.size(), places_named); ++i)
        places += (i == 0 ? "" : "; ") + place(unseen[i], zone);
    if (unseen.size() > places_named) places += fmt::format("; and {} more", unseen.size() - places_named);
    if (sum >= ticks) return fmt::format(", most likely at one of these: {}.", places);
    return fmt::format(
        ". At most {} of them can have run unseen at {}; the others were not seen although the messages "
        "arrived.",
        sum, places);
}

/// Whether the missing ticks may have run between the last message and the reading.
bool may_have_run_since(std::optional<Instant> heard_until, const RegisterReading& reading,
                        const MeterSettings& settings) {
    if (!heard_until || *heard_until >= reading.at) return false;
    const auto most = CounterRules(settings).plausible_max(reading.at - *heard_until);
    return static_cast<std::uint64_t>(reading.adjustment_ticks) <= most;
}

/// The number of "1234.567 m³", as it is written in a command.
std::string number_of(const std::string& volume) {
    return volume.substr(0, volume.find(' '));
}

}  // namespace

std::int64_t unseen_ticks_max(const Entry& entry, const MeterSettings& settings) {
    std::uint64_t most = entry.unseen_max.value_or(0);
    if (entry.kind == EntryKind::lost && !entry.unseen_max) {
        most = CounterRules(settings).plausible_max(entry.span.length());
    }
    return static_cast<std::int64_t>(std::min<std::uint64_t>(most, std::int64_t{1} << 62));
}

std::string words_for(const RegisterState& state, const std::string& meter, const CivilZone& zone,
                      Instant now) {
    std::string text =
        fmt::format("At {} ({}) the register should have shown {}, give or take {}", in_words(state.at, zone),
                    ago(now - state.at), cubic_metres(state.register_ul), cubic_metres(state.tolerance_ul));
    const std::string since = state.read_by_eye_at
                                  ? "since it was read by eye on " + day(*state.read_by_eye_at, zone)
                                  : "since the first message";
    if (state.unseen_ticks_max > 0) {
        text += fmt::format(
            "; up to {} more may have run unseen {}, at {}.", cubic_metres(state.unseen_ul_max), since,
            counted(static_cast<std::int64_t>(state.unseen_count), "interruption", "interruptions"));
    } else {
        text += fmt::format("; nothing can have run unseen {}.", since);
    }
    if (state.start_unknown) {
        text += " The register's start at the first message is unknown, so 0 is assumed: ";
        text += state.read_ul
                    ? fmt::format(
                          "the node read {} then. If that is what the meter's face shows, enter it with "
                          "`tickledger register {} --start {} --at {}`.",
                          cubic_metres(*state.read_ul), meter, number_of(cubic_metres(*state.read_ul)),
                          zone.format(state.at))
                    : fmt::format("enter it with `tickledger register {} --start READING`.", meter);
    }
    return text;
}

std::string words_for(const RegisterReading& reading, const std::string& volume_l,
                      const std::vector<Entry>& unseen, std::optional<Instant> heard_until,
                      const MeterSettings& settings, const CivilZone& zone) {
    if (reading.starts) {
        return fmt::format("The register follows this reading: it showed {} then.",
                           cubic_metres(reading.register_ul));
    }
    const std::int64_t ticks = reading.adjustment_ticks;
    std::string text;
    const std::string from = day(reading.adjusted_from, zone);
    const std::string to = day(reading.at, zone);
    const std::string between = from == to ? in_words(Span{reading.adjusted_from, reading.at}, zone)
                                           : fmt::format("between {} and {}", from, to);
    if (ticks == 0) {
        text = fmt::format("The ledger and the register agree to the tick {}.", between);
    } else if (ticks > 0 && may_have_run_since(heard_until, reading, settings)) {
        text = fmt::format(
            "{} ({} L) {} not counted {}. The last message is of {}, and this water may have run since. The next "
            "one shows it, and the adjustment follows.",
            counted(ticks, "tick", "ticks"), volume_l, ticks == 1 ? "was" : "were", between,
            in_words(*heard_until, zone));
    } else if (ticks > 0) {
        text = fmt::format("{} ({} L) {} missed {}{}", counted(ticks, "tick", "ticks"), volume_l,
                           ticks == 1 ? "was" : "were", between, where_missed(ticks, unseen, settings, zone));
    } else {
        text = fmt::format(
            "{} ({} L) too many were counted {}. The sensor may see one tick twice, or the pulse value may "
            "be too large: `tickledger calibrate` shows more.",
            counted(-ticks, "tick", "ticks"), volume_l, between);
    }
    const std::int64_t resolution_ul = microlitres(settings.register_resolution_l);
    const bool is_coarse = reading.given_to_ul > resolution_ul;
    const bool may_be_nothing = std::abs(ticks) <= nearest_ticks(reading.given_to_ul, settings.pulse_value_l);
    if (is_coarse && ticks != 0 && may_be_nothing) {
        text += fmt::format(
            " The reading is exact only to {}, so there may be no real difference. Take it back, and enter "
            "every digit that the register shows.",
            cubic_metres(reading.given_to_ul));
    }
    return text;
}

}  // namespace tickledger
