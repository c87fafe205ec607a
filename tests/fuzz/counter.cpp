// Payloads of nodes that send a count.
#include "fuzz/json_payload.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    MeterSettings meter;
    for (const int bits : {32, 16, 0}) {
        meter.counter_bits = bits;
        fuzz::try_json(fuzz::text_of(data, size), meter);
    }
    return 0;
}
