// Where events become accepted: stamped, appended to the message log and, if so configured, on the disk.
#pragma once

#include <atomic>
#include <cstdint>
#include <mutex>
#include <string>
#include <vector>

#include "service/clock.hpp"
#include "service/syncer.hpp"
#include "store/message_log.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// Thread-safe.
class Intake {
public:
    Intake(MessageLog& log, Syncer& syncer, const Clock& clock, const std::vector<MeterSettings>& meters,
           Instant floor)
        : log_(log), syncer_(syncer), server_clock_(clock), clock_(clock, floor), meters_(meters) {}

    /// True once the message is safe and may be acknowledged. The journal tells why not.
    [[nodiscard]] bool accept(Message&& message);
    [[nodiscard]] bool accept(LinkChange change);
    /// A person's word: `order` as in Instruction. It is on the disk when this returns without error. Refused
    /// while the server's clock is not set, for then nobody can tell when it was said.
    [[nodiscard]] Result<void> accept_instruction(std::string order);

    /// Looks whether a clock that was not set is set by now, and logs that. To be called now and then.
    void watch_clock();

    /// The time up to which the bookkeeper's clock may run. While the server's clock is not set, time stands
    /// still.
    [[nodiscard]] Instant now() { return clock_.now().value_or(clock_.floor()); }
    [[nodiscard]] std::uint64_t accepted() const { return accepted_; }
    void count_accepted(std::uint64_t messages) { accepted_ += messages; }

private:
    [[nodiscard]] bool keep(Event event, Instant at);
    void ask_node(const Message& message);

    MessageLog& log_;
    Syncer& syncer_;
    const Clock& server_clock_;
    TrustedClock clock_;
    const std::vector<MeterSettings>& meters_;
    std::mutex mutex_;  ///< So that no message stands before the line that says the clock is set.
    bool has_undated_ = false;
    std::atomic<std::uint64_t> accepted_{0};
};

}  // namespace tickledger
