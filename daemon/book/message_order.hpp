// Finds the order in which a node sent its messages. Keeps the node's boots, the numbers that are missing,
// and the messages that arrived without a place in the order.
#pragma once

#include "book/account.hpp"
#include "book/backlog_detector.hpp"
#include "store/ledger.hpp"

namespace tickledger {

/// All methods throw StoreFailure.
class MessageOrder {
public:
    explicit MessageOrder(Ledger& ledger) : ledger_(ledger) {}

    /// How a message arrived, as far as that decides when and whether it counts.
    [[nodiscard]] Circumstances circumstances(const Account& account, const Reading& reading,
                                              const Delivery& delivery, const Message& message);

    /// Records the accepted messages, and the message that was held in `before` if it is held no longer.
    void advance(Account& account, const CounterState& before, const Booking& booking);

    /// The order has passed a message that arrived and was not booked. The message is no longer awaited.
    void note_passed(const Account& account, const MessageNumber& number);

private:
    void remember_accepted(const Account& account, const CounterState& before, const Booking& booking);
    void set_aside_dropped(Account& account, const CounterState& before, const Booking& booking);
    void forget_passed(Account& account);
    void keep_within_reach(const Account& account, std::uint64_t boot, std::uint64_t previous_seq,
                           std::uint64_t seq);
    void look_up_boot(const Account& account, const Reading& reading, const Observation& last,
                      Circumstances& came);
    [[nodiscard]] bool is_of_start_between(const Account& account, const Reading& reading,
                                           const Observation& last);
    [[nodiscard]] bool is_of_earlier_start(const Account& account, const Reading& reading,
                                           const Observation& last);
    [[nodiscard]] bool was_overtaken(const Account& account, const Reading& reading, const Observation& last);
    [[nodiscard]] bool was_passed_over(const Account& account, const Reading& reading,
                                       const Observation& last);
    [[nodiscard]] bool was_accepted(const Account& account, const BootRecord& boot, const Reading& reading,
                                    std::optional<std::uint64_t> last_seq);

    Ledger& ledger_;
};

}  // namespace tickledger
