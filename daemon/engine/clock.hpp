// The clock port. Only the service asks what time it is; everything inward is told.
#pragma once

#include <mutex>
#include <optional>

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

/// A civil clock that knows when it must not be believed: many small servers have no battery for it and
/// start in 1970, or hours behind, until the network tells them the time. Thread-safe.
class TrustedClock {
public:
    /// `floor`: it can not be earlier than this (the last stamp of the message log, the program's release).
    TrustedClock(const Clock& clock, Instant floor) : clock_(clock), floor_(floor) {}

    /// The time, or nothing while the clock is not set. Once it was set it stays believed, however it steps.
    [[nodiscard]] std::optional<Instant> now();

    /// A node told the time while the server did not know it. Believed if it is neither before the floor nor
    /// years after it; from then on the time since the machine's start goes on from there.
    void hear(Instant node_time);

    [[nodiscard]] Instant floor() const { return floor_; }

private:
    const Clock& clock_;
    const Instant floor_;
    std::mutex mutex_;
    bool is_set_ = false;
    /// What the civil time was at the machine's start, as a node has it.
    std::optional<Instant> start_;
};

}  // namespace tickledger
