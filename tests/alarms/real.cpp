#include "alarms/real.hpp"

#include <date/date.h>
#include <fmt/format.h>
#include <zlib.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <functional>
#include <memory>
#include <sstream>
#include <stdexcept>

#include "book/bookkeeper.hpp"
#include "store/ledger_view.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::alarms {

namespace {

template <typename T>
T must(Result<T> result) {
    if (!result) throw std::runtime_error(result.error().text);
    if constexpr (!std::is_void_v<T>) return std::move(*result);
}

/// Calls `each` with the fields of every line except the first, which has their names.
void for_each_line(const std::filesystem::path& file,
                   const std::function<void(const std::vector<std::string>&)>& each) {
    const std::unique_ptr<gzFile_s, int (*)(gzFile)> in{gzopen(file.c_str(), "rb"), &gzclose};
    if (!in) throw std::runtime_error(file.string() + " cannot be read");
    std::array<char, 4096> line{};
    bool is_first = true;
    while (gzgets(in.get(), line.data(), line.size())) {
        std::string text = line.data();
        while (!text.empty() && (text.back() == '\n' || text.back() == '\r'))
            text.pop_back();
        std::vector<std::string> fields;
        std::istringstream parts(text);
        for (std::string field; std::getline(parts, field, ';');)
            fields.push_back(field);
        if (!std::exchange(is_first, false)) each(fields);
    }
}

struct Told {
    Instant at{};
    std::int64_t litres = 0;
};

/// Parses civil time such as "01/03/2016 00:28:55". In the hour that occurs twice in October, the first one.
Instant instant_in(const CivilZone& zone, const std::string& text) {
    std::istringstream in(text);
    date::local_seconds local;
    in >> date::parse("%d/%m/%Y %H:%M:%S", local);
    if (!in) throw std::runtime_error("\"" + text + "\" is not a time");
    const auto day = date::floor<date::days>(local);
    return zone.at(date::year_month_day{day}, local - day);
}

Household replay(int number, const std::vector<Told>& told, const MeterSettings& settings,
                 const CivilZone& zone) {
    const test::TempDirectory directory;
    auto ledger = Ledger::open(directory / "ledger.db");
    if (!ledger) throw std::runtime_error(ledger.error().text);
    const std::vector<MeterSettings> meters{settings};
    Bookkeeper keeper(meters, zone, **ledger, Publishing::last_state, 1);
    must(keeper.load());
    std::vector<Delivery> deliveries;
    Instant arrived_at = told.front().at;
    const auto book = [&] {
        must(keeper.book({.deliveries = deliveries}));
        deliveries.clear();
    };
    for (const Told& one : told) {
        arrived_at = std::max(arrived_at, one.at);
        Message message;
        message.arrived_at = arrived_at;
        message.topic = settings.topic;
        message.payload =
            fmt::format(R"({{"count":{},"time":{}}})", one.litres, microseconds_of(one.at) / 1'000'000);
        deliveries.push_back({std::move(message)});
        if (deliveries.size() == 500) book();
    }
    book();
    Household household;
    household.number = number;
    household.years = std::chrono::duration<double>(arrived_at - told.front().at).count() / (365.25 * 86'400);
    auto view = must(LedgerView::open(directory / "ledger.db"));
    for (AlarmRecord& record : must(view->alarms(std::nullopt, std::nullopt)))
        household.alarms.push_back(std::move(record.alarm));
    return household;
}

}  // namespace

std::filesystem::path real_directory() {
    if (const char* const named = std::getenv("TICKLEDGER_REAL")) return named;
    return std::filesystem::path(TICKLEDGER_SOURCE_DIRECTORY) / "../shared/real";
}

std::vector<Household> replay_registers(const std::filesystem::path& file, const MeterSettings& settings) {
    const CivilZone zone = must(CivilZone::find("Europe/Madrid"));
    std::map<int, std::vector<Told>> told;
    for_each_line(file, [&](const std::vector<std::string>& fields) {
        // A count may be written rounded, such as "4e+05".
        told[std::stoi(fields.at(0))].push_back(
            {instant_in(zone, fields.at(1)), std::llround(std::stod(fields.at(2)))});
    });
    std::vector<Household> households;
    for (const auto& [number, readings] : told)
        households.push_back(replay(number, readings, settings, zone));
    return households;
}

std::vector<Entry> entries_of_flat(const std::filesystem::path& file, const MeterSettings& meter) {
    std::map<std::int64_t, double> litres_to;  // By the end of each second.
    for_each_line(file, [&](const std::vector<std::string>& fields) {
        const std::int64_t end_s = std::stoll(fields.at(0));
        const std::int64_t seconds = std::stoll(fields.at(1));
        for (std::int64_t s = 0; s < seconds; ++s)
            litres_to[end_s - s] += std::stod(fields.at(3)) / 1000;
    });
    std::vector<Entry> entries;
    const std::int64_t cadence_s = meter.cadence / std::chrono::seconds{1};
    const double pulse_value_l = meter.pulse_value_l.value();
    double litres = 0;
    std::int64_t told = 0;
    std::int64_t end_s = (litres_to.begin()->first - 1) / cadence_s * cadence_s + cadence_s;
    const auto tell = [&] {
        const auto ticks = static_cast<std::int64_t>(std::floor(litres / pulse_value_l));
        const Instant to = instant_of(end_s * 1'000'000);
        Entry& entry = entries.emplace_back();
        entry.span = {to - meter.cadence, to};
        entry.ticks = ticks - told;
        told = ticks;
        end_s += cadence_s;
    };
    for (const auto& [second, ran_l] : litres_to) {
        while (second > end_s)
            tell();
        litres += ran_l;
    }
    tell();
    return entries;
}

}  // namespace tickledger::alarms
