// GET /v1/building, and the data kept for it between calls.
#pragma once

#include "serve/usual.hpp"

namespace tickledger {

/// A call together with the data kept between calls. Api makes every call as one of these.
struct BuildingCall : Call {
    UsualDays& usuals;
};

/// Precondition: the call is a BuildingCall.
[[nodiscard]] Response get_building(const Call& call);

}  // namespace tickledger
