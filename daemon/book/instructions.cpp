// What people told the daemon to do, in the order of the message log.
//
// Live, after a kill and in a replay the same line does the same, so each kind of instruction is decided
// here, from the line and the ledger alone. One that was given again must change nothing: a client that got
// no answer says it again.

#include <array>
#include <nlohmann/json.hpp>

#include "book/bookkeeper.hpp"
#include "book/orders.hpp"

namespace tickledger {

void Bookkeeper::take_instruction(const Instruction& instruction) {
    struct Kind {
        std::string_view name;
        void (Bookkeeper::*take)(Account& account, const nlohmann::json& order, Instant now);
    };
    constexpr std::array kinds{
        Kind{order_read_register, &Bookkeeper::read_register},
        Kind{order_take_back_reading, &Bookkeeper::take_back_reading},
        Kind{order_set_pulse_value, &Bookkeeper::apply_pulse_value},
    };
    const auto order = nlohmann::json::parse(instruction.order, nullptr, false);
    if (!order.is_object()) return;
    Account* account = accounts_.find(text_in(order, "meter"));
    // What another version of this program understood, or another configuration knew, is passed over.
    if (!account) return;
    for (const Kind& kind : kinds) {
        if (kind.name == text_in(order, "do")) (this->*kind.take)(*account, order, instruction.at);
    }
}

}  // namespace tickledger
