#include "recording.hpp"

#include <date/date.h>

#include <nlohmann/json.hpp>

namespace tickledger::demo {

void write_recording(const std::vector<simulation::Delivery>& deliveries, std::ostream& out) {
    for (const auto& delivery : deliveries) {
        const Message& message = delivery.message;
        const nlohmann::ordered_json line = {{"tst", date::format("%FT%TZ", message.arrived_at)},
                                             {"topic", message.topic},
                                             {"qos", message.qos},
                                             {"retain", 0},
                                             {"payload", message.payload}};
        out << line << '\n';
    }
}

}  // namespace tickledger::demo
