// The clock port. Only the engine and the service ask what time it is. Everything further inward receives
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
    /// The server's civil clock. It may be wrong, and it may step.
    [[nodiscard]] virtual Instant wall() const = 0;
    /// The time since the machine's start. It never steps.
    [[nodiscard]] virtual Duration since_boot() const = 0;
    /// Whether the kernel says that a time service keeps the civil clock.
    [[nodiscard]] virtual bool is_synchronised() const = 0;
};

class SystemClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override;
    [[nodiscard]] Duration since_boot() const override;
    [[nodiscard]] bool is_synchronised() const override;
};

/// A civil clock that knows when the server's clock must not be believed; docs/time.md gives the reasons.
/// Thread-safe.
///
/// Once the time is known, it goes on with the time since the machine's start. The server's clock is followed
/// if it agrees with that, if the kernel says that a time service keeps it, or if it is set back. A jump
/// ahead that neither a time service nor a person vouches for is not followed.
class TrustedClock {
public:
    /// What is known of the time before anybody gives it.
    struct Floor {
        /// It cannot be earlier than this.
        Instant at{};
        /// At the start, a clock without a time service is believed up to this long after `at`.
        Duration reach{};
    };
    TrustedClock(const Clock& clock, Floor floor) : clock_(clock), floor_(floor) {}

    /// The time, or nothing while it is not known.
    [[nodiscard]] std::optional<Instant> now();

    /// A node, `who`, gave the time while the server did not know it. If two nodes agree, and their time is
    /// neither before the floor nor years after it, they are believed until the server knows better.
    void hear(std::string_view who, Instant node_time);

    /// A person says that the server's clock is right now. Returns the time. Nothing: the clock shows a time
    /// before this program was made, which cannot be right.
    [[nodiscard]] std::optional<Instant> vouch();

    [[nodiscard]] Instant floor() const { return floor_.at; }
    /// How far the server's clock is ahead of the believed time. Zero: it is believed.
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
    bool is_lent_ = false;  ///< The time comes from nodes; the server itself does not know it yet.
    Duration ahead_{};
    /// The time of the machine's start, as each node gives it.
    std::map<std::string, Instant, std::less<>> said_;
};

/// The stamps of the message log, which never go back. If the last stamp is ahead of the time, the stamps go
/// on from there with the time since the machine's start, a sixteenth slower, until the time has caught up.
/// So lengths of time stay true to a sixteenth, and no flow that a meter can have becomes implausible.
/// Thread-safe.
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
