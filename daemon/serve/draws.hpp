// POST /v1/meters/{id}/draws: what a person says that a use of water was.
#pragma once

#include "serve/call.hpp"

namespace tickledger {

[[nodiscard]] Response post_draws(const Call& call);

}  // namespace tickledger
