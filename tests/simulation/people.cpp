#include "simulation/people.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "book/instruction_documents.hpp"

namespace tickledger::simulation {

namespace {

constexpr std::int64_t litre_ul = 1'000'000;
constexpr std::int64_t first_register_l = 250'000;

}  // namespace

std::string People::read_register(const PlannedWord& planned, bool starts) {
    const PlannedNode& node = plan_.nodes[planned.node];
    const auto ran = std::upper_bound(node.ticks.begin(), node.ticks.end(), planned.at) - node.ticks.begin();
    const auto ran_l =
        static_cast<std::int64_t>(static_cast<double>(ran) * node.settings.pulse_value_l.value());
    read_at_[planned.node] = planned.at;
    return instruction_to_read(plan_.meters[planned.node].id,
                               {planned.at, (first_register_l + ran_l) * litre_ul, litre_ul, starts});
}

std::optional<std::string> People::say(const PlannedWord& planned) {
    const MeterSettings& meter = plan_.meters[planned.node];
    const auto about_alarm = [&](std::string_view what) -> std::optional<std::string> {
        if (last_alarm_.empty()) return std::nullopt;
        const auto alarm = nlohmann::json::parse(last_alarm_);
        return nlohmann::json{{"do", what},
                              {"meter", alarm["meter"]},
                              {"kind", alarm["kind"]},
                              {"raised_at", alarm["raised_at"]},
                              {"for_s", 86'400}}
            .dump();
    };
    switch (planned.word) {
        case Word::register_start:
            return read_register(planned, true);
        case Word::register_reading:
            return read_register(planned, false);
        case Word::take_back_reading: {
            const auto read_at = read_at_.find(planned.node);
            if (read_at == read_at_.end()) return std::nullopt;
            return instruction_to_take_back(meter.id, read_at->second);
        }
        case Word::pulse_value: {
            // A hundredth more than before, from the start of the previous day on.
            const Instant day = zone_.start_of(zone_.date_of(planned.at - std::chrono::hours{24}));
            return instruction_to_set(
                meter.id, day, {meter.pulse_value_l.numerator * 101, meter.pulse_value_l.denominator * 100});
        }
        case Word::away:
            return instruction_to_be_away(meter.id, {}, {});
        case Word::away_for_a_day:
            return instruction_to_be_away(meter.id, planned.at, planned.at + std::chrono::hours{24});
        case Word::home:
            return instruction_to_be_home(meter.id);
        case Word::acknowledge:
            return about_alarm(instruction_acknowledge_alarm);
        case Word::shelve:
            return about_alarm(instruction_shelve_alarm);
        case Word::unshelve:
            return about_alarm(instruction_unshelve_alarm);
    }
    return std::nullopt;
}

void People::note_published(const Outgoing& outgoing) {
    if (outgoing.topic.find("/alarms/") != std::string::npos &&
        outgoing.payload.find("\"raised_at\":\"") != std::string::npos)
        last_alarm_ = outgoing.payload;
}

}  // namespace tickledger::simulation
