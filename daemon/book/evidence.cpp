#include "book/evidence.hpp"

#include <fmt/format.h>

#include <algorithm>

namespace tickledger {

EvidenceBuilder& EvidenceBuilder::at(std::string_view name, Instant moment) {
    members_.text(name, zone_.format(moment));
    return *this;
}

EvidenceBuilder& EvidenceBuilder::not_known(std::string_view name) {
    members_.null(name);
    return *this;
}

EvidenceBuilder& EvidenceBuilder::span(Span span, std::string_view prefix) {
    return at(fmt::format("{}from", prefix), span.from).at(fmt::format("{}to", prefix), span.to);
}

EvidenceBuilder& EvidenceBuilder::flag(std::string_view name, bool value) {
    members_.flag(name, value);
    return *this;
}

EvidenceBuilder& EvidenceBuilder::whole(std::string_view name, std::int64_t value) {
    members_.whole(name, value);
    return *this;
}

EvidenceBuilder& EvidenceBuilder::estimate(std::string_view name, double value, int digits) {
    members_.raw(name, fmt::format("{:.{}f}", value, digits));
    return *this;
}

EvidenceBuilder& EvidenceBuilder::flow(double l_per_h, int digits) {
    return estimate("flow_l_per_h", l_per_h, digits).a_day(l_per_h * 24, digits - 1);
}

EvidenceBuilder& EvidenceBuilder::volume(double litres, double in_h) {
    constexpr double one_second_h = 1.0 / 3600;
    return estimate("volume_l", litres, 3).a_day(litres / std::max(in_h, one_second_h) * 24, 0);
}

EvidenceBuilder& EvidenceBuilder::a_day(double l_per_day, int digits) {
    return estimate("estimated_l_per_day", l_per_day, digits);
}

Evidence EvidenceBuilder::saying(std::string_view sentences) && {
    return {std::move(members_).finish(),
            fmt::format("{} (A household hint, not a safety device.)", sentences)};
}

}  // namespace tickledger
