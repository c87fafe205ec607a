#include "comparison.hpp"

#include <fmt/format.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <stdexcept>

namespace tickledger::demo {

namespace {

using nlohmann::json;

constexpr double ul_per_m3 = 1e9;
constexpr double ul_per_l = 1e6;

json read_json(const std::filesystem::path& file) {
    std::ifstream in(file);
    if (!in) throw std::runtime_error("cannot read " + file.string());
    return json::parse(in);
}

/// The ticks of the day that begins at this date in a meter's usage; empty if there is no such row.
std::optional<std::int64_t> ledger_ticks(const json& usage, const std::string& date) {
    for (const json& row : usage.at("rows")) {
        if (!row.at("from").get<std::string>().starts_with(date)) continue;
        if (row.at("ticks").is_null()) return std::nullopt;
        return row.at("ticks").get<std::int64_t>();
    }
    return std::nullopt;
}

const json& meter_of(const json& meters, const std::string& id) {
    for (const json& meter : meters.at("meters")) {
        if (meter.at("id") == id) return meter;
    }
    throw std::runtime_error("the daemon has no meter " + id);
}

bool compare_days(const std::vector<Meter>& meters, const Timeline& timeline,
                  const std::filesystem::path& answers) {
    std::vector<json> usage;
    fmt::print("  {:<12}", "ticks a day");
    for (const Meter& meter : meters) {
        usage.push_back(read_json(answers / (meter.id + ".usage.json")));
        fmt::print("{:>22}", meter.id);
    }
    fmt::print("\n  {:<12}", "");
    for (std::size_t i = 0; i < meters.size(); ++i)
        fmt::print("{:>22}", "ledger  truth  diff");
    fmt::print("\n");
    bool equal = true;
    for (std::size_t day = 0; day + 1 < timeline.midnights.size(); ++day) {
        const Span span{timeline.midnights[day], timeline.midnights[day + 1]};
        if (span.from >= timeline.live.to) break;
        fmt::print("  {:<12}", date_text(span.from));
        for (std::size_t i = 0; i < meters.size(); ++i) {
            const std::int64_t truth = meters[i].node.truth().told_ticks_in(span);
            const auto ledger = ledger_ticks(usage[i], date_text(span.from));
            equal = equal && ledger == truth;
            fmt::print("{:>9}{:>7}{:>6}", ledger ? std::to_string(*ledger) : "none", truth,
                       ledger ? std::to_string(*ledger - truth) : "?");
        }
        fmt::print("\n");
    }
    return equal;
}

bool compare_registers(const std::vector<Meter>& meters, const json& answer) {
    fmt::print("\n  {:<12}{:>16}{:>16}{:>12}{:>26}\n", "register", "ledger m3", "truth m3", "diff m3",
               "never seen by a node, L");
    bool equal = true;
    for (const Meter& meter : meters) {
        const auto& truth = meter.node.truth();
        const auto told_ul =
            meter.register_start_ul + static_cast<std::int64_t>(truth.told.size()) * meter.pulse_value_ul;
        const double ledger_m3 = meter_of(answer, meter.id).at("register_m3").get<double>();
        const std::int64_t ledger_ul = std::llround(ledger_m3 * ul_per_m3);
        equal = equal && ledger_ul == told_ul;
        const auto unseen_ul = static_cast<std::int64_t>(truth.unseen.size()) * meter.pulse_value_ul;
        fmt::print("  {:<12}{:>16.4f}{:>16.4f}{:>12.4f}{:>26.1f}\n", meter.id, ledger_m3,
                   static_cast<double>(told_ul) / ul_per_m3,
                   static_cast<double>(ledger_ul - told_ul) / ul_per_m3,
                   static_cast<double>(unseen_ul) / ul_per_l);
    }
    return equal;
}

}  // namespace

bool compare(const std::vector<Meter>& meters, const Timeline& timeline,
             const std::filesystem::path& answers) {
    const bool days_equal = compare_days(meters, timeline, answers);
    const bool registers_equal = compare_registers(meters, read_json(answers / "meters.json"));
    return days_equal && registers_equal;
}

}  // namespace tickledger::demo
