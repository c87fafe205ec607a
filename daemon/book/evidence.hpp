// Why an alarm is raised: members for programs and sentences for people, of one shape for all kinds.
#pragma once

#include <string>
#include <string_view>

#include "core/json_writer.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

struct Evidence {
    std::string json;
    std::string text;
};

/// Collects the members of an evidence in the order in which they are added.
class EvidenceBuilder {
public:
    explicit EvidenceBuilder(const CivilZone& zone) : zone_(zone) {}

    EvidenceBuilder& at(std::string_view name, Instant moment);
    EvidenceBuilder& not_known(std::string_view name);
    /// `from` and `to`, with a word before them: "night_from".
    EvidenceBuilder& span(Span span, std::string_view prefix = {});
    EvidenceBuilder& flag(std::string_view name, bool value);
    EvidenceBuilder& whole(std::string_view name, std::int64_t value);
    /// An estimate, to so many digits behind the point.
    EvidenceBuilder& estimate(std::string_view name, double value, int digits);
    /// `flow_l_per_h`, and what a day of it comes to.
    EvidenceBuilder& flow(double l_per_h, int digits = 1);
    /// `volume_l` of the ticks in a time, and what a day of it comes to.
    EvidenceBuilder& volume(double litres, double in_h);

    /// Ends it with the sentences, and the caution that belongs to every alarm.
    [[nodiscard]] Evidence saying(std::string_view sentences) &&;

private:
    EvidenceBuilder& a_day(double l_per_day, int digits);

    const CivilZone& zone_;
    JsonObject members_;
};

}  // namespace tickledger
