#include "client/watch.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <map>
#include <optional>
#include <set>
#include <sstream>
#include <thread>

#include "client/cells.hpp"
#include "client/harmless.hpp"
#include "client/names.hpp"
#include "core/percent.hpp"

namespace tickledger {

namespace {

constexpr auto try_again_after = std::chrono::seconds{2};
/// One character of the bar for each litre per minute.
constexpr double bar_unit_l_per_h = 60;
constexpr int bar_longest = 20;

void put(const std::string& line) {
    std::fwrite(line.data(), 1, line.size(), stdout);
    std::fputc('\n', stdout);
    std::fflush(stdout);
}

/// Counts the characters of a text in UTF-8.
std::size_t characters_in(const std::string& text) {
    return static_cast<std::size_t>(
        std::ranges::count_if(text, [](char c) { return (static_cast<unsigned char>(c) & 0xC0) != 0x80; }));
}

std::string clock(const std::string& time) {
    return time.size() < 19 ? time : time.substr(11, 8);
}

bool is_time_or_number(const std::string& word) {
    return word.front() >= '0' && word.front() <= '9' &&
           word.find_first_not_of("0123456789:.-+,") == word.npos;
}

bool is_unit_of_time(std::string_view word) {
    if (word.ends_with('s')) word.remove_suffix(1);
    return word == "second" || word == "minute" || word == "hour" || word == "day";
}

/// A trouble without its numbers, times and lengths of time. They run on while the trouble stays the same.
std::string without_numbers(const std::string& trouble) {
    std::istringstream words(trouble);
    std::string text;
    for (std::string word; words >> word;) {
        if (!is_time_or_number(word) && !is_unit_of_time(word)) text += word + ' ';
    }
    return text;
}

/// The moment of the change that an event of an alarm reports. `before`: the alarm as it was last known, or
/// null. Nothing if the alarm does not say: it was shelved, for example.
std::optional<std::string> moment_of_change(const Json& alarm, const Json& before) {
    for (const char* member : {"acknowledged_at", "cleared_at", "raised_at"}) {
        const Json& moment = alarm.at(member);
        if (moment.is_string() && (before.is_null() || moment != before.at(member)))
            return moment.get<std::string>();
    }
    return std::nullopt;
}

/// Follows the flow of each meter. When water stops, it asks for the draws of that run.
class Watch {
public:
    explicit Watch(const WatchOrder& order) : order_(order) {}

    void take(const StreamEvent& event) {
        if (order_.json) return put(fmt::format(R"({{"event":"{}","data":{}}})", event.name, event.data));
        const Json data = harmless(Json::parse(event.data));
        if (event.name == "hello") begin();
        if (event.name == "reading") show_reading(data);
        if (event.name == "alarm") show_alarm(data);
        if (event.name == "health") show_health(data);
        if (event.name == "missed") put("Some events were missed here; the ledger has them.");
    }

private:
    /// Shows the state of every meter before the first event.
    void begin() {
        const auto answer = ask(order_.socket, {"/v1/meters"});
        if (!answer || answer->status != 200) return;
        const Json document = harmless(Json::parse(answer->body));
        names_ = Names(document);
        width_ = 0;
        for (const Json& meter : document.at("meters")) {
            const std::string id = meter.at("id");
            if (order_.meter.empty() || id == order_.meter)
                width_ = std::max(width_, characters_in(names_.label(id)));
        }
        for (const Json& meter : document.at("meters")) {
            const std::string id = meter.at("id");
            if (!order_.meter.empty() && id != order_.meter) continue;
            const Json& time = meter.at("last_reading_at");
            if (time.is_null()) {
                show(no_time, id, "not heard yet");
            } else {
                const Json& flow = meter.at("flow_l_per_h");
                show_flow(time, id, flow, "");
                if (flow == 0) still_[id] = time.get<std::string>();
            }
        }
        const auto alarms = ask(order_.socket, {"/v1/alarms"});
        if (!alarms || alarms->status != 200) return;
        const Json known = Json::parse(alarms->body);
        for (const Json& alarm : known.at("alarms"))
            alarms_[alarm.at("id").get<std::int64_t>()] = alarm;
    }

    void show_reading(const Json& reading) {
        const std::string id = reading.at("meter");
        const std::string time = reading.at("time");
        const Json& flow = reading.at("flow_l_per_h");
        const bool runs = !flow.is_null() && flow.get<double>() > 0;
        const auto still = still_.find(id);
        const auto run = running_since_.find(id);
        // A standstill is shown once.
        const bool is_news = runs || run != running_since_.end() || still == still_.end();
        if (is_news) show_flow(time, id, flow, fmt::format("  today {} L", number(reading.at("today_l"), 1)));
        if (runs) {
            // The draw began after the last reading without flow.
            running_since_.try_emplace(id, still == still_.end() ? time : still->second);
            return;
        }
        still_[id] = time;
        if (run == running_since_.end()) return;
        show_draws(id, run->second);
        running_since_.erase(run);
    }

    void show_draws(const std::string& id, const std::string& since) {
        const auto answer =
            ask(order_.socket, {"/v1/meters/" + percent_encode(id) + "/draws?from=" + percent_encode(since)});
        if (!answer || answer->status != 200) return;
        const Json document = harmless(Json::parse(answer->body));
        for (const Json& draw : document.at("draws")) {
            const auto seconds = length_s(draw);
            show(clock(draw.at("from")), id,
                 fmt::format("draw of {} L in {}:{:02} min, probably {} ({:.0f} %)",
                             number(draw.at("volume_l"), 1), seconds / 60, seconds % 60,
                             draw.at("label").get<std::string>(), draw.at("confidence").get<double>() * 100));
        }
    }

    void show_flow(const Json& time, const std::string& id, const Json& flow, const std::string& more) const {
        if (flow.is_null()) return show(clock(time), id, "flow not known" + more);
        const double flow_l_per_h = flow.get<double>();
        if (flow_l_per_h <= 0)
            return show(clock(time), id,
                        more.empty() ? "stands still" : fmt::format("{:<33}{}", "stands still", more));
        const int length =
            std::clamp(static_cast<int>(std::lround(flow_l_per_h / bar_unit_l_per_h)), 1, bar_longest);
        show(clock(time), id,
             fmt::format("{:>7.1f} L/h  {:<{}}{}", flow_l_per_h,
                         std::string(static_cast<std::size_t>(length), '#'), bar_longest, more));
    }

    void show_alarm(const Json& alarm) {
        Json& before = alarms_[alarm.at("id").get<std::int64_t>()];
        const auto moment = moment_of_change(alarm, before);
        before = alarm;
        show(moment ? clock(*moment) : clock_now(), alarm.at("meter"),
             fmt::format("ALARM {} is {}. {}", alarm.at("kind").get<std::string>(),
                         alarm.at("state").get<std::string>(), alarm.at("text").get<std::string>()));
    }

    /// The daemon's time. An event is shown right after the change.
    [[nodiscard]] std::string clock_now() const {
        const auto answer = ask(order_.socket, {"/v1/health"});
        if (!answer || answer->status != 200) return no_time;
        return clock(harmless(Json::parse(answer->body)).at("time"));
    }

    void show_health(const Json& health) {
        std::set<std::string> troubles;
        for (const Json& trouble : health.at("troubles")) {
            const std::string text = trouble.get<std::string>();
            const std::string key = without_numbers(text);
            if (!troubles_.contains(key)) put("! " + text);
            troubles.insert(key);
        }
        if (troubles.empty() && !troubles_.empty()) put("All is well again.");
        troubles_ = std::move(troubles);
    }

    void show(const std::string& time, const std::string& id, const std::string& what) const {
        const std::string label = names_.label(id);
        const std::size_t gap = width_ - std::min(width_, characters_in(label));
        put(fmt::format("{:8}  {}{}  {}", time, label, std::string(gap, ' '), what));
    }

    static constexpr const char* no_time = "--:--:--";

    const WatchOrder& order_;
    Names names_;
    std::size_t width_ = 0;
    std::map<std::string, std::string> running_since_;
    /// Meters whose last reading showed no flow, with the time of that reading.
    std::map<std::string, std::string> still_;
    /// The alarms as they were last known, by id.
    std::map<std::int64_t, Json> alarms_;
    /// The troubles of the last event, without their numbers.
    std::set<std::string> troubles_;
};

}  // namespace

Result<Answer> watch(const WatchOrder& order) {
    Watch watch(order);
    std::string target = "/v1/stream";
    if (!order.meter.empty()) target += "?meter=" + percent_encode(order.meter);
    for (bool was_heard = false;; std::this_thread::sleep_for(try_again_after)) {
        bool is_told = false;
        auto ended = listen(order.socket, target, [&](const StreamEvent& event) {
            was_heard = is_told = true;
            watch.take(event);
        });
        if (!was_heard) return ended;
        if (is_told) {
            std::fflush(stdout);
            fmt::print(stderr,
                       "tickledger: The connection to the daemon was lost. Trying again every {} seconds.\n",
                       try_again_after.count());
        }
    }
}

}  // namespace tickledger
