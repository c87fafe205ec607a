#include "book/register_follower.hpp"

#include <algorithm>

#include "book/history_rules.hpp"
#include "book/store_failure.hpp"
#include "book/valuation.hpp"

namespace tickledger {

namespace {

Entry adjustment(const RegisterReading& reading) {
    Entry entry;
    entry.span = {reading.adjusted_from, reading.at};
    entry.ticks = reading.adjustment_ticks;
    entry.kind = EntryKind::adjustment;
    return entry;
}

/// Adds an entry's ticks to those that a reading has before it, or subtracts them. Returns whether it did.
bool count(RegisterReading& reading, const Entry& entry, int sign) {
    if (!entry.ticks_known() || entry.ticks == 0) return false;
    if (entry.span.to <= reading.at) {
        reading.ticks_before += sign * entry.ticks;
    } else if (entry.span.from < reading.at) {
        reading.ticks_within += sign * entry.ticks;
    } else {
        return false;
    }
    return true;
}

/// The wanted ticks that the entry around the moment cannot have brought before it.
std::int64_t not_explained(std::int64_t wanted, std::int64_t ticks_within) {
    if (ticks_within <= 0 || wanted < 0) return wanted;
    return std::max<std::int64_t>(wanted - ticks_within, 0);
}

/// The ticks of the adjustments that fall into rows before a civil midnight.
std::int64_t adjusted_before(Account& account, std::span<const RegisterReading> readings, Instant midnight) {
    std::int64_t sum = 0;
    std::vector<Share> shares;
    for (const RegisterReading& reading : readings) {
        if (reading.adjustment_ticks == 0) continue;
        if (reading.at <= midnight) {
            sum += reading.adjustment_ticks;
            continue;
        }
        apportion(adjustment(reading), account.rows, shares);
        for (const Share& share : shares) {
            if (share.row.to <= midnight) sum += share.ticks;
        }
    }
    return sum;
}

constexpr int refinements_max = 4;

}  // namespace

/// The register at the moment of the last reading in `until`, in microlitres. It includes the adjustments in
/// the list, but not the ticks of the entry around the moment. `booked`: the same readings as they are in the
/// rows now.
std::int64_t RegisterFollower::register_at(Account& account, const PulseValues& values,
                                           std::span<const RegisterReading> until, const Readings& booked,
                                           Ratio start_l) {
    const RegisterReading& reading = until.back();
    std::int64_t left = reading.ticks_before;
    for (const RegisterReading& one : until)
        left += one.adjustment_ticks;
    std::vector<ValuedTicks> parts;
    const TicksOfRow ticks = rows_.ticks_of(account);
    // Rows before the day of the first reading hold history, which is not part of the register.
    Instant from = history_end(*account.memory().meter_register.first_at, zone_);
    const Instant begin = from;
    std::int64_t before = 0;
    for (const PulseValueChange& change : values.changes()) {
        if (change.from >= reading.at) break;
        if (change.from <= begin) continue;
        const std::int64_t then = value_or_throw(ticks_between(begin, change.from, zone_, ticks)) -
                                  adjusted_before(account, booked, change.from) +
                                  adjusted_before(account, until, change.from);
        parts.push_back({then - before, values.at(from)});
        left -= then - before;
        before = then;
        from = change.from;
    }
    parts.push_back({left, values.at(from)});
    return scaled_volume(parts, start_l, 1, digits_register);
}

RegisterFollower::Readings RegisterFollower::readings_of(const Account& account) {
    if (!account.memory().meter_register.read_by_eye_at) return {};
    return value_or_throw(ledger_.register_readings(account.key));
}

/// Works out every adjustment from `place` on, and books the changes as one.
void RegisterFollower::adjust(Account& account, Readings readings, const Readings& booked,
                              std::size_t place) {
    const PulseValues values = pulse_values(account.settings, account.memory().meter_register, zone_);
    for (std::size_t i = place; i < readings.size(); ++i) {
        RegisterReading& reading = readings[i];
        reading.adjusted_from = i > 0 ? readings[i - 1].at : *account.memory().meter_register.first_at;
        reading.adjustment_ticks = 0;
        const std::span<const RegisterReading> until(readings.data(), i + 1);
        if (reading.starts) {
            account.memory().meter_register.start_ul =
                unrolled_ul(reading, account.settings) - register_at(account, values, until, booked, {0, 1});
            continue;
        }
        const Ratio start_l = register_start_l(account.settings, account.memory().meter_register);
        const Ratio value_l = values.at(reading.at - Duration{1});
        std::int64_t wanted = 0;
        // Once is enough, unless the pulse value changes within the adjustment's span.
        for (int refinement = 0; refinement < refinements_max; ++refinement) {
            reading.adjustment_ticks = wanted;
            const std::int64_t missing_ul =
                unrolled_ul(reading, account.settings) - register_at(account, values, until, booked, start_l);
            const std::int64_t step = nearest_ticks(missing_ul, value_l);
            if (step == 0) break;
            wanted += step;
        }
        reading.adjustment_ticks = not_explained(wanted, reading.ticks_within);
    }
    book_adjustments(account, readings, booked);
}

void RegisterFollower::book_adjustments(Account& account, const Readings& readings, const Readings& booked) {
    const auto entries_of = [](const Readings& from, const Readings& other) {
        std::vector<Entry> entries;
        for (const RegisterReading& reading : from) {
            const bool stays = std::any_of(other.begin(), other.end(), [&](const RegisterReading& one) {
                return one.adjustment_ticks != 0 && adjustment(one) == adjustment(reading);
            });
            if (reading.adjustment_ticks != 0 && !stays) entries.push_back(adjustment(reading));
        }
        return entries;
    };
    const std::vector<Entry> removed = entries_of(booked, readings);
    const std::vector<Entry> added = entries_of(readings, booked);
    for (const RegisterReading& reading : booked) {
        const bool stays = std::any_of(readings.begin(), readings.end(),
                                       [&](const RegisterReading& one) { return one.at == reading.at; });
        if (!stays) value_or_throw(ledger_.remove_register_reading(account.key, reading.at));
    }
    for (const RegisterReading& reading : readings) {
        if (std::find(booked.begin(), booked.end(), reading) == booked.end())
            value_or_throw(ledger_.put_register_reading(account.key, reading));
    }
    account.is_changed = account.has_news = true;
    Duration longest{0};
    for (const Entry& entry : removed) {
        value_or_throw(ledger_.remove_entry(account.key, entry));
        account.memory().total_ticks -= entry.ticks;
        longest = std::max(longest, entry.span.length());
    }
    for (const Entry& entry : added) {
        value_or_throw(ledger_.add_entry(account.key, entry));
        account.memory().total_ticks += entry.ticks;
        longest = std::max(longest, entry.span.length());
    }
    const auto& changed = rows_.change(account, removed, added);
    // Not sooner, because rows up to the last known reading may hold some of its adjustment.
    account.memory().meter_register.read_by_eye_at =
        readings.empty() ? std::nullopt : std::optional(readings.back().at);
    publications_.correct(account, changed, longest);
}

void RegisterFollower::follow(Account& account, std::span<const Entry> removed,
                              std::span<const Entry> added) {
    const auto& read_at = account.memory().meter_register.read_by_eye_at;
    const auto reaches = [&](const Entry& entry) { return entry.span.from < *read_at; };
    if (!read_at || !(std::any_of(removed.begin(), removed.end(), reaches) ||
                      std::any_of(added.begin(), added.end(), reaches))) {
        return;
    }
    const Readings booked = readings_of(account);
    Readings readings = booked;
    std::size_t place = readings.size();
    for (std::size_t i = readings.size(); i-- > 0;) {
        bool changed = false;
        for (const Entry& entry : removed)
            changed |= count(readings[i], entry, -1);
        for (const Entry& entry : added)
            changed |= count(readings[i], entry, 1);
        if (changed) place = i;
    }
    if (place < readings.size()) adjust(account, std::move(readings), booked, place);
}

RegisterBasis RegisterFollower::basis(const Account& account, const Readings& readings) const {
    return {.settings = account.settings,
            .first_at = account.memory().meter_register.first_at,
            .start_l = register_start_l(account.settings, account.memory().meter_register),
            .total_ticks = account.memory().total_ticks,
            .readings = readings,
            .fine_detail_from = fine_detail_from_,
            .zone = zone_};
}

/// The reading with the ticks that are booked before it, as if nothing had been adjusted.
RegisterReading RegisterFollower::counted(const Account& account, const SaidReading& said,
                                          const Readings& booked) {
    RegisterReading reading;
    reading.at = said.at;
    reading.register_ul = said.register_ul;
    reading.given_to_ul = said.given_to_ul;
    reading.starts = said.starts;
    reading.adjusted_from = said.at;
    reading.ticks_before = account.memory().total_ticks;
    for (const RegisterReading& one : booked)
        reading.ticks_before -= one.adjustment_ticks;
    const Instant end = std::max(said.at, account.memory().counter.last->at) + Duration{1};
    for (const Entry& entry : value_or_throw(ledger_.entries(account.key, {said.at, end}))) {
        if (entry.kind == EntryKind::adjustment || !entry.ticks_known()) continue;
        reading.ticks_before -= entry.ticks;
        if (entry.span.from < said.at) reading.ticks_within += entry.ticks;
    }
    return reading;
}

void RegisterFollower::read(Account& account, const SaidReading& said, Instant now) {
    const Readings booked = readings_of(account);
    const auto judged = judge(said, basis(account, booked), now);
    if (!judged || judged->is_known) return;
    RegisterReading reading = counted(account, said, booked);
    reading.turns = judged->turns;
    Readings readings = booked;
    readings.insert(readings.begin() + static_cast<std::ptrdiff_t>(judged->place), reading);
    adjust(account, std::move(readings), booked, judged->place);
}

void RegisterFollower::take_back(Account& account, Instant reading_at) {
    const Readings booked = readings_of(account);
    const auto place = judge_taking_back(reading_at, basis(account, booked));
    if (!place) return;
    Readings readings = booked;
    if (readings[*place].starts) account.memory().meter_register.start_ul.reset();
    readings.erase(readings.begin() + static_cast<std::ptrdiff_t>(*place));
    adjust(account, std::move(readings), booked, *place);
}

void RegisterFollower::apply(Account& account, const AppliedPulseValue& value) {
    if (value.numerator <= 0 || value.denominator <= 0) return;
    if (account.rows.row_at(Step::day, value.from).from != value.from) return;
    auto& applied = account.memory().meter_register.pulse_values;
    const auto same = std::find_if(applied.begin(), applied.end(),
                                   [&](const AppliedPulseValue& one) { return one.from == value.from; });
    if (same != applied.end()) {
        if (same->numerator == value.numerator && same->denominator == value.denominator) return;
        applied.erase(same);
    }
    applied.push_back(value);
    account.is_changed = account.has_news = true;
    revise_from(account, value.from);
    const Readings booked = readings_of(account);
    const auto later = std::find_if(booked.begin(), booked.end(),
                                    [&](const RegisterReading& one) { return one.at > value.from; });
    if (later == booked.end()) return;
    adjust(account, booked, booked, static_cast<std::size_t>(later - booked.begin()));
}

/// The volumes of rows that closed since then have changed. Each needs a new revision, or one revision would
/// be published with two volumes.
void RegisterFollower::revise_from(Account& account, Instant from) {
    if (!account.memory().closed_until) return;
    const Instant until = *account.memory().closed_until;
    rows_.flush();
    for (const Step step : {Step::interval, Step::hour, Step::day, Step::month, Step::year}) {
        const Instant first = account.rows.row_at(step, from).from;
        const Instant end = account.rows.row_at(step, until).from;
        if (first < end) value_or_throw(ledger_.revise_rows(account.key, step, first, end));
    }
    RowCache::forget(account);
    const Instant today = account.rows.row_at(Step::day, until).from;
    if (from < today) publications_.tell_day(account, account.rows.row_at(Step::day, today - Duration{1}));
}

}  // namespace tickledger
