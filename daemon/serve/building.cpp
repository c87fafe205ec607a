// GET /v1/building: every meter in one line, for those who look after many, and each main meter compared with
// the meters behind it. One call answers for all meters.
#include "serve/building.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <map>
#include <set>

#include "book/accounts.hpp"
#include "book/documents.hpp"
#include "core/rounding.hpp"
#include "serve/away.hpp"
#include "serve/meter_facts.hpp"
#include "serve/register_words.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger {

namespace {

using std::chrono::hours;

/// Working out what is usual reads four weeks of hours. One call does it for at most this many meters and
/// leaves the others to the next calls, so that no call holds up the server for long.
constexpr std::size_t usuals_read_in_a_call = 24;
constexpr int days_of_a_balance = 7;
/// The maximum permissible error of ISO 4064-1 / OIML R 49-1, accuracy class 2, between Q2 and Q4, cold
/// water.
constexpr std::int64_t permissible_error_percent = 2;

/// The data for one meter's line.
struct MeterLine {
    FoundMeter meter;
    std::string parent;  ///< As configured; empty if there is none.
    MeterSummary summary;
    std::optional<Row> today;
    std::int64_t today_ml = 0;
    std::optional<std::int64_t> yesterday_ml;
    /// Null: not read yet. Empty: nothing is usual yet.
    const std::optional<UsualDay>* usual = nullptr;
};

/// Volumes summed over some days, in millilitres; how far the sum may be wrong; and whether all of the days
/// were seen.
struct Volume {
    std::int64_t ml = 0;
    std::int64_t tolerance_ml = 0;
    bool is_whole = true;
    bool is_known = false;  ///< Something was seen, if only a part of one day.
};

std::string parent_in(const Configuration& configuration, const std::string& id) {
    const MeterSettings* settings = settings_for(configuration.meters, id);
    if (!settings) return {};
    const auto place = static_cast<std::size_t>(settings - configuration.meters.data());
    if (place >= configuration.names.size()) return {};
    return text_for(configuration.names[place].parent, *settings, id);
}

class Building {
public:
    Building(const BuildingCall& call, LedgerView& view)
        : call_(call), view_(view), zone_(call.parts.zone), now_(call.parts.now()) {
        today_ = zone_.row_at(Step::day, Duration{}, now_);
    }

    Result<std::string> document() {
        if (auto read = read_lines(); !read) return tl::unexpected(read.error());
        if (auto read = read_alarms(); !read) return tl::unexpected(read.error());
        for (const MeterHealth& meter : call_.parts.health().meters)
            if (meter.silent_since) silent_since_.emplace(meter.id, *meter.silent_since);
        JsonObject document;
        document.text("timezone", zone_.name());
        document.text("time", zone_.format(now_));
        const std::string& currency = call_.parts.configuration->tariff.currency;
        const bool has_price = !call_.parts.configuration->tariff.price_per_m3.empty();
        document.optional_text("currency", has_price ? std::optional(currency) : std::nullopt);
        document.whole("usual_pending", usual_pending_);
        document.raw("sum", sum());
        auto described = meters();
        if (!described) return described;
        document.raw("meters", *described);
        auto balanced = balances();
        if (!balanced) return balanced;
        document.raw("balances", *balanced);
        return std::move(document).finish() + "\n";
    }

private:
    Result<void> read_lines() {
        auto found = all_meters(call_.parts, view_);
        if (!found) return tl::unexpected(found.error());
        std::size_t usuals_read = 0;
        for (FoundMeter& meter : *found) {
            ids_.insert(meter.id);
            auto line = read_line(std::move(meter), usuals_read);
            if (!line) return tl::unexpected(line.error());
            lines_.push_back(*std::move(line));
        }
        return {};
    }

    Result<MeterLine> read_line(FoundMeter meter, std::size_t& usuals_read) {
        MeterLine line;
        line.meter = std::move(meter);
        line.parent = parent_in(*call_.parts.configuration, line.meter.id);
        if (!line.meter.record) return line;
        auto summary = call_.parts.summarise(*line.meter.record, *line.meter.settings);
        if (!summary) return tl::unexpected(summary.error());
        line.summary = *std::move(summary);
        const MeterDays days(view_, line.meter, line.summary, zone_);
        const auto today = days.row(Step::day, today_.from);
        if (!today) return tl::unexpected(today.error());
        line.today = *today;
        if (*today) line.today_ml = days.millilitres(today_.from, (*today)->ticks);
        const Instant yesterday = days.day_at(today_.from - Duration{1}).from;
        const auto before = days.row(Step::day, yesterday);
        if (!before) return tl::unexpected(before.error());
        if (*before) line.yesterday_ml = days.millilitres(yesterday, (*before)->ticks);
        line.usual = call_.usuals.find(line.meter.id, today_.from);
        if (!line.usual && usuals_read < usuals_read_in_a_call) {
            ++usuals_read;
            auto usual = usual_day(days, today_, zone_);
            if (!usual) return tl::unexpected(usual.error());
            line.usual = &call_.usuals.keep(line.meter.id, today_.from, *std::move(usual));
        }
        if (!line.usual) ++usual_pending_;
        return line;
    }

    Result<void> read_alarms() {
        for (const AlarmState state :
             {AlarmState::unacknowledged, AlarmState::acknowledged, AlarmState::shelved}) {
            auto alarms = view_.alarms(std::nullopt, state);
            if (!alarms) return tl::unexpected(alarms.error());
            for (AlarmRecord& record : *alarms)
                if (record.alarm.is_active()) alarms_[record.meter].push_back(std::move(record.alarm));
        }
        return {};
    }

    static std::string litres(std::optional<std::int64_t> ml) { return ml ? decimal(*ml, digits_l) : "null"; }

    /// An old flow is not the present flow: after two cadences it is not known.
    [[nodiscard]] std::optional<double> flow_now(const MeterLine& line) const {
        if (!is_flow_known(line.summary, *line.meter.settings, now_)) return std::nullopt;
        return line.summary.flow_l_per_h;
    }

    /// Messages of the last day that changed nothing because they could not be read or believed.
    Result<std::string> refused(const MeterLine& line) {
        if (!line.meter.record) return "null";
        const auto list = view_.refused(line.meter.record->key, {now_ - hours{24}, now_ + hours{1}});
        if (!list) return tl::unexpected(list.error());
        std::int64_t unreadable = 0;
        std::int64_t stray = 0;
        const Refused* newest = nullptr;
        for (const Refused& one : *list) {
            if (one.reason != Refusal::unreadable && one.reason != Refusal::stray) continue;
            ++(one.reason == Refusal::stray ? stray : unreadable);
            if (!newest || one.at >= newest->at) newest = &one;
        }
        if (!newest) return "null";
        JsonObject object;
        object.whole("unreadable", unreadable);
        object.whole("stray", stray);
        object.text("last_at", zone_.format(newest->at));
        object.text("reason", newest->reason == Refusal::stray ? "stray" : "unreadable");
        object.text("topic", newest->topic);
        object.text("text", newest->text);
        return std::move(object).finish();
    }

    [[nodiscard]] std::string alarms_of(const std::string& id) const {
        JsonArray list;
        const auto found = alarms_.find(id);
        if (found == alarms_.end()) return std::move(list).finish();
        for (const Alarm& alarm : found->second) {
            JsonObject object;
            object.whole("id", alarm.id);
            object.text("kind", name_of(alarm.kind));
            object.text("state", name_of(alarm.state));
            object.text("raised_at", zone_.format(alarm.raised_at));
            list.add(std::move(object).finish());
        }
        return std::move(list).finish();
    }

    Result<std::string> describe(const MeterLine& line) {
        JsonObject object;
        object.text("id", line.meter.id);
        add_names(object, *call_.parts.configuration, line.meter.id);
        object.whole("cadence_s",
                     std::chrono::floor<std::chrono::seconds>(line.meter.settings->cadence).count());
        object.raw(
            "pulse_value_l",
            fmt::format("{}",
                        MeterDays(view_, line.meter, line.summary, zone_).value_at(today_.from).value()));
        object.raw("smallest_visible_leak_l_per_h",
                   flow_text(smallest_visible_leak_l_per_h(*line.meter.settings)));
        object.raw("today_l", litres(line.today ? std::optional(line.today_ml) : std::nullopt));
        object.raw("yesterday_l", litres(line.yesterday_ml));
        const bool is_usual = line.usual && *line.usual;
        object.raw("usual_l", litres(is_usual ? std::optional((*line.usual)->volume_ml) : std::nullopt));
        object.raw(
            "usual_until_now_l",
            litres(is_usual ? std::optional((*line.usual)->until_ml(now_ - today_.from)) : std::nullopt));
        const auto& last = line.summary.last_span;
        object.optional_text("seen_until", last ? std::optional(zone_.format(last->to)) : std::nullopt);
        object.raw("flow_l_per_h", flow_text(flow_now(line)));
        const auto silent = silent_since_.find(line.meter.id);
        object.optional_text("silent_since", silent == silent_since_.end()
                                                 ? std::nullopt
                                                 : std::optional(zone_.format(silent->second)));
        add_away(object, call_.parts, line.meter, line.summary);
        object.raw("alarms", alarms_of(line.meter.id));
        const auto kept_apart = refused(line);
        if (!kept_apart) return kept_apart;
        object.raw("refused", *kept_apart);
        return std::move(object).finish();
    }

    Result<std::string> meters() {
        JsonArray list;
        for (const MeterLine& line : lines_) {
            const auto described = describe(line);
            if (!described) return described;
            list.add(*described);
        }
        return std::move(list).finish();
    }

    /// The meter that this meter's water passed before; empty if it is not among these.
    [[nodiscard]] std::string parent_of(const MeterLine& line) const {
        return ids_.contains(line.parent) ? line.parent : std::string{};
    }

    /// Sums only meters without a parent here, so that no litre counts twice.
    [[nodiscard]] std::string sum() const {
        std::int64_t today_ml = 0;
        std::optional<std::int64_t> yesterday_ml;
        std::int64_t usual_ml = 0;
        std::int64_t counted = 0;
        std::int64_t without_number = 0;
        bool is_usual = true;
        for (const MeterLine& line : lines_) {
            if (!parent_of(line).empty()) continue;
            ++(line.today ? counted : without_number);
            today_ml += line.today_ml;
            if (line.yesterday_ml) yesterday_ml = yesterday_ml.value_or(0) + *line.yesterday_ml;
            if (!line.today) continue;
            if (line.usual && *line.usual)
                usual_ml += (*line.usual)->until_ml(now_ - today_.from);
            else
                is_usual = false;
        }
        JsonObject object;
        object.whole("meters", counted);
        object.whole("meters_without_number", without_number);
        object.raw("today_l", litres(counted > 0 ? std::optional(today_ml) : std::nullopt));
        object.raw("yesterday_l", litres(yesterday_ml));
        object.raw("usual_until_now_l",
                   litres(is_usual && counted > 0 ? std::optional(usual_ml) : std::nullopt));
        return std::move(object).finish();
    }

    /// Adds the meter's volume of these days, and its uncertainty.
    Result<void> add(Volume& volume, const MeterLine& line, Span days_span) {
        const MeterDays days(view_, line.meter, line.summary, zone_);
        std::int64_t ml = 0;
        for (Span day = days.day_at(days_span.from); day.from < days_span.to; day = days.day_at(day.to)) {
            const auto row = days.row(Step::day, day.from);
            if (!row) return tl::unexpected(row.error());
            // A message that spans midnight may end a moment after it.
            if (!*row || (*row)->covered < day.length() - std::chrono::minutes{1}) volume.is_whole = false;
            if (!*row) continue;
            volume.is_known = true;
            ml += days.millilitres(day.from, (*row)->ticks);
        }
        const std::int64_t tick_ml = days.millilitres(days_span.from, 1);
        std::int64_t unseen = 0;
        if (line.meter.record) {
            const auto entries = view_.unseen(line.meter.record->key, days_span);
            if (!entries) return tl::unexpected(entries.error());
            for (const Entry& entry : *entries)
                unseen += unseen_ticks_max(entry, *line.meter.settings);
        }
        volume.ml += ml;
        volume.tolerance_ml += rounded(std::abs(ml) * permissible_error_percent, std::int64_t{100}) +
                               tick_ml + days.millilitres(days_span.from, unseen);
        return {};
    }

    Result<std::string> balance(const MeterLine& main, const std::vector<const MeterLine*>& behind,
                                Span span) {
        Volume of_main;
        if (auto added = add(of_main, main, span); !added) return tl::unexpected(added.error());
        Volume of_parts;
        JsonArray ids;
        for (const MeterLine* part : behind) {
            if (auto added = add(of_parts, *part, span); !added) return tl::unexpected(added.error());
            ids.add(json_string(part->meter.id));
        }
        const bool is_whole = of_main.is_whole && of_parts.is_whole;
        const bool is_known = of_main.is_known && of_parts.is_known;
        const auto known = [](bool is_told, std::int64_t ml) {
            return litres(is_told ? std::optional(ml) : std::nullopt);
        };
        JsonObject object;
        object.text("meter", main.meter.id);
        object.raw("parts", std::move(ids).finish());
        object.text("from", zone_.format(span.from));
        object.text("to", zone_.format(span.to));
        object.raw("volume_l", known(of_main.is_known, of_main.ml));
        object.raw("parts_l", known(of_parts.is_known, of_parts.ml));
        object.raw("difference_l", known(is_known, of_main.ml - of_parts.ml));
        object.raw("tolerance_l", known(is_known, of_main.tolerance_ml + of_parts.tolerance_ml));
        object.flag("is_whole", is_whole);
        return std::move(object).finish();
    }

    /// Yesterday and the last seven whole days of each meter that has others behind it.
    Result<std::string> balances() {
        std::map<std::string, std::vector<const MeterLine*>> behind;
        for (const MeterLine& line : lines_)
            if (const std::string parent = parent_of(line); !parent.empty()) behind[parent].push_back(&line);
        Instant week = today_.from;
        for (int i = 0; i < days_of_a_balance; ++i)
            week = zone_.row_at(Step::day, Duration{}, week - Duration{1}).from;
        const Instant yesterday = zone_.row_at(Step::day, Duration{}, today_.from - Duration{1}).from;
        JsonArray list;
        for (const MeterLine& line : lines_) {
            const auto parts = behind.find(line.meter.id);
            if (parts == behind.end()) continue;
            for (const Instant from : {yesterday, week}) {
                const auto one = balance(line, parts->second, {from, today_.from});
                if (!one) return one;
                list.add(*one);
            }
        }
        return std::move(list).finish();
    }

    const BuildingCall& call_;
    LedgerView& view_;
    const CivilZone& zone_;
    const Instant now_;
    Span today_;
    std::vector<MeterLine> lines_;
    std::set<std::string> ids_;
    std::map<std::string, std::vector<Alarm>> alarms_;
    std::map<std::string, Instant> silent_since_;
    std::int64_t usual_pending_ = 0;
};

}  // namespace

Response get_building(const Call& call) {
    const auto view = call.fresh_view();
    if (!view) return view.error();
    auto document = Building(static_cast<const BuildingCall&>(call), **view).document();
    if (!document) return ledger_problem(document.error());
    Response response;
    response.body = *std::move(document);
    return response;
}

}  // namespace tickledger
