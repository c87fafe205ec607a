// Why an alarm is raised: members for programs and sentences for people, in one form for all kinds.
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
    /// Adds `from` and `to`, with a prefix such as "night_" for "night_from".
    EvidenceBuilder& span(Span span, std::string_view prefix = {});
    EvidenceBuilder& flag(std::string_view name, bool value);
    EvidenceBuilder& whole(std::string_view name, std::int64_t value);
    /// An estimate, with this many digits after the decimal point.
    EvidenceBuilder& estimate(std::string_view name, double value, int digits);
    /// Adds `flow_l_per_h`, and the volume of a day at that flow.
    EvidenceBuilder& flow(double l_per_h, int digits = 1);
    /// Adds `volume_l`, and the volume of a day at that rate. `in_h`: the hours in which the litres ran.
    EvidenceBuilder& volume(double litres, double in_h);

    /// Finishes the evidence with these sentences and the caution that every alarm carries.
    [[nodiscard]] Evidence saying(std::string_view sentences) &&;

private:
    EvidenceBuilder& a_day(double l_per_day, int digits);

    const CivilZone& zone_;
    JsonObject members_;
};

}  // namespace tickledger
