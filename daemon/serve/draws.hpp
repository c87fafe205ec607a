// POST /v1/meters/{id}/draws: a person says what a draw was.
#pragma once

#include "serve/call.hpp"

namespace tickledger {

[[nodiscard]] Response post_draws(const Call& call);

}  // namespace tickledger
