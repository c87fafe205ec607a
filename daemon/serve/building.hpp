// GET /v1/building, and what is kept for it between calls.
#pragma once

#include "serve/usual.hpp"

namespace tickledger {

/// A call with what is kept between calls. Api makes every call as one of these.
struct BuildingCall : Call {
    UsualDays& usuals;
};

/// Precondition: the call is a BuildingCall.
[[nodiscard]] Response get_building(const Call& call);

}  // namespace tickledger
