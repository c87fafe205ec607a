// decode() for SenML, RFC 8428, in JSON and CBOR.
#pragma once

#include <string_view>
#include <vector>

#include "tickledger/message.hpp"

namespace tickledger {

/// Like decode(). A volume becomes the whole pulse values in it. A volume that lacks at most half a
/// millionth of a pulse value counts as full. Precondition: the payload is not empty.
[[nodiscard]] Result<std::vector<Reading>> decode_senml(std::string_view payload, const MeterSettings& meter,
                                                        Instant arrived_at);

}  // namespace tickledger
