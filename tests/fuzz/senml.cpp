// SenML packs, in JSON and in CBOR; the first byte of a payload shows which.
#include "fuzz/payload.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    MeterSettings meter;
    meter.message = MessageForm::senml;
    for (const char* name : {"", "urn:dev:ow:10e2073a01080063:water"}) {
        meter.senml_name = name;
        for (const Ratio& pulse_value : {Ratio{1, 1}, Ratio{1, 3}, Ratio{1000, 1}}) {
            meter.pulse_value_l = pulse_value;
            const auto readings = fuzz::decoded(fuzz::text_of(data, size), meter);
            if (!readings) continue;
            const auto time_of = [](const Reading& reading) {
                return reading.time.value_or(fuzz::arrived_at);
            };
            for (std::size_t later = 1; later < readings->size(); ++later)
                fuzz::must(time_of((*readings)[later - 1]) <= time_of((*readings)[later]),
                           "readings are in order of time");
        }
    }
    return 0;
}
