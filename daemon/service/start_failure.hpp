// Why a program could not start or has to end, with its exit status.
#pragma once

#include <string>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// Why the daemon, a replay or a redating could not start or has to end. `exit_status` is one of sysexits.
struct StartFailure {
    int exit_status = 0;
    std::string text;
};

namespace exit_status {
inline constexpr int refused = 65;         ///< EX_DATAERR: a recording that cannot be read.
inline constexpr int no_socket = 73;       ///< EX_CANTCREAT
inline constexpr int store_unusable = 74;  ///< EX_IOERR
inline constexpr int store_held = 75;      ///< EX_TEMPFAIL
inline constexpr int configuration = 78;   ///< EX_CONFIG
}  // namespace exit_status

[[nodiscard]] inline tl::unexpected<StartFailure> start_failure(int status, std::string text) {
    return tl::unexpected(StartFailure{status, std::move(text)});
}

}  // namespace tickledger
