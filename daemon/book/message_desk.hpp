// Handles one message for one account: decodes it, lets the core book its readings, and carries out the
// core's decision.
#pragma once

#include <optional>
#include <string>

#include "book/account.hpp"
#include "book/backlog_detector.hpp"
#include "book/ledger_facts.hpp"
#include "book/message_order.hpp"
#include "book/odd_messages.hpp"
#include "book/posting.hpp"
#include "book/watches.hpp"
#include "tickledger/late.hpp"

namespace tickledger {

class MessageDesk {
public:
    /// `counts`, `odd`: kept by the caller. Refused messages are counted and noted there.
    MessageDesk(const CivilZone& zone, Ledger& ledger, Posting& posting, Watches& watches,
                MessageCounts& counts, OddMessages& odd)
        : zone_(zone),
          ledger_(ledger),
          order_(ledger),
          posting_(posting),
          watches_(watches),
          counts_(counts),
          odd_(odd) {}

    /// Books, keeps or refuses a message. `message` is the event of `delivery`. Throws StoreFailure.
    void take(Account& account, const Message& message, const Delivery& delivery);

    /// Books the kept readings (book/node_backlog.hpp). Due when half a cadence has passed without another
    /// message. Precondition: something is kept. Throws StoreFailure.
    void settle_backlog(Account& account);
    /// The same at the end of a recording: readings that follow a silence count as having waited. Throws
    /// StoreFailure.
    void end_backlog(Account& account);

private:
    void offer(Account& account, const Reading& reading, const Message& message, const Delivery& delivery);
    void take_reading(Account& account, const Reading& reading, const Message& message,
                      const Delivery& delivery);
    void follow_held(Account& account, const Booking& booking, const Message& message);
    void post(Account& account, const Booking& booking, const CounterState& before);
    void post_late(Account& account, const Reading& reading, const Booking& booking, const Message& message);
    [[nodiscard]] std::optional<Entry> entry_of_late(const Account& account, const Reading& reading,
                                                     const Booking& booking);
    [[nodiscard]] LateBooking book_late(const Account& account, const Entry& entry, const Reading& reading,
                                        const Booking& booking);
    [[nodiscard]] bool is_nothing_new(const Account& account, const Reading& reading, const Booking& booking,
                                      const Message& message);
    [[nodiscard]] bool is_known(const Account& account, const Reading& reading, Instant at);
    /// Adds a message to the refused ones. False: it is there already.
    bool refuse(Account& account, Refusal reason, const HeldMessage& message, const std::string& text);

    const CivilZone& zone_;
    Ledger& ledger_;
    MessageOrder order_;
    Posting& posting_;
    Watches& watches_;
    MessageCounts& counts_;
    OddMessages& odd_;
};

}  // namespace tickledger
