#include "book/meter_publication.hpp"

#include <string_view>

namespace tickledger {

std::string MeterPublication::topic() const {
    constexpr std::string_view names[] = {"now", "usage", "day", "alarms/"};
    std::string topic = "meters/" + meter + "/";
    topic += names[static_cast<std::size_t>(kind)];
    if (kind == Kind::alarm) topic += name_of(alarm);
    return topic;
}

}  // namespace tickledger
