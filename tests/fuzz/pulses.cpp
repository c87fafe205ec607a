// Payloads of nodes that send the ticks since their previous message.
#include "fuzz/json_payload.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    MeterSettings meter;
    meter.message = MessageForm::pulses;
    fuzz::try_json(fuzz::text_of(data, size), meter);
    return 0;
}
