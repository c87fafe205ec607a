// The clock port. Only the engine and the service ask what time it is; everything further inward receives
// instants.
#pragma once

#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <string_view>

#include "tickledger/time.hpp"

namespace tickledger {

class Clock {
public:
    virtual ~Clock() = default;
    /// The server's civil clock: may be wrong, may step.
    [[nodiscard]] virtual Instant wall() const = 0;
    /// Since the machine's start; never steps.
    [[nodiscard]] virtual Duration since_boot() const = 0;
    /// The kernel says that the civil clock is kept by a time service.
    [[nodiscard]] virtual bool is_synchronised() const = 0;
};

class SystemClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override;
    [[nodiscard]] Duration since_boot() const override;
    [[nodiscard]] bool is_synchronised() const override;
};

/// A civil clock that knows when it must not be believed; docs/time.md gives the reasons. Thread-safe.
///
/// Once it is known what time it is, it goes on with the time since the machine's start. The server's clock
/// is followed where it agrees with that, where the kernel says that a time service keeps it, and where it is
/// set back. A jump ahead that nobody vouches for, a time service or a person, is not followed.
class TrustedClock {
public:
    /// What is known of the time before anybody tells it.
    struct Floor {
        /// It cannot be earlier than this.
        Instant at{};
        /// A clock without a time service is believed at the start up to so long after `at`.
        Duration reach{};
    };
    TrustedClock(const Clock& clock, Floor floor) : clock_(clock), floor_(floor) {}

    /// The time, or nothing while it is not known.
    [[nodiscard]] std::optional<Instant> now();

    /// `who`, a node, told the time while the server did not know it. Where two agree, and what they say is
    /// neither before the floor nor years after it, they are believed until the server knows better.
    void hear(std::string_view who, Instant node_time);

    /// A person says that the server's clock is right now. Nothing: it shows a time before this program was
    /// made, which it cannot be. Else the time.
    [[nodiscard]] std::optional<Instant> vouch();

    [[nodiscard]] Instant floor() const { return floor_.at; }
    /// By how much the server's clock is ahead of what is believed; zero: it is believed.
    [[nodiscard]] Duration disbelieved_ahead();

private:
    struct Known {
        Instant at{};
        Duration since_boot{};
    };
    [[nodiscard]] std::optional<Instant> look();
    [[nodiscard]] bool is_likely_at_start(Instant wall) const;

    const Clock& clock_;
    const Floor floor_;
    std::mutex mutex_;
    std::optional<Known> known_;
    bool is_lent_ = false;  ///< By nodes: the server itself does not know yet.
    Duration ahead_{};
    /// What each node says the time was at the machine's start.
    std::map<std::string, Instant, std::less<>> said_;
};

/// The stamps of the message log, which never go back. Where the last one is ahead of the time, they go on
/// from there with the time since the machine's start, a sixteenth slower, until the time has caught up: so
/// that lengths of time stay true to a sixteenth, and less water is never too much for its time. Thread-safe.
class StampClock {
public:
    /// `last`: the last stamp so far.
    StampClock(std::optional<Instant> last, Duration since_boot) : last_(last), since_boot_(since_boot) {}

    [[nodiscard]] Instant stamp(Instant now, Duration since_boot);

private:
    std::mutex mutex_;
    std::optional<Instant> last_;
    Duration since_boot_;
};

}  // namespace tickledger
