// Finds the true times of events that the message log stamped ahead of the time, and rewrites the log with
// them.
//
// A server whose clock was ahead stamps arrivals too late. Once the clock is right, the stamps go on from
// there, a sixteenth slower, until the time has caught up (docs/time.md). Lines of the log say how far ahead
// they were.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <vector>

#include "store/message_log.hpp"

namespace tickledger {

class Redating {
public:
    /// Reads the log up to `end`. `since`: the first stamp that was ahead. Nothing: the place where the
    /// stamps leapt by as much as they turned out to be ahead. Fails if no line says that they were ahead, if
    /// there is no such leap or more than one, or if true times would be before earlier stamps.
    [[nodiscard]] static Result<Redating> of_log(Files& files, const std::filesystem::path& directory,
                                                 const LogPosition& end, std::optional<Instant> since);

    /// The place of the first line that was stamped ahead, its stamp, and how far it was ahead.
    [[nodiscard]] const LogPosition& first() const { return first_; }
    [[nodiscard]] Instant since() const { return since_; }
    [[nodiscard]] Duration ahead() const { return known_.front().stamp - known_.front().time; }
    /// The stamp from which on the stamps ran slower.
    [[nodiscard]] Instant right_at() const { return known_.front().stamp; }

    /// The true time at which the log gave this stamp. Precondition: not before since().
    [[nodiscard]] Instant time_of(Instant stamp) const;

    /// Writes the log up to `end` into `to`, durably, as it would be if the clock had been right. Lines
    /// before first() stay as they are. The others get their true times, and so do the times in what people
    /// said. Returns how many got another stamp. Lines that cannot be read are left out. Precondition: `to`
    /// does not exist.
    [[nodiscard]] Result<std::uint64_t> write(Files& files, const std::filesystem::path& from,
                                              const LogPosition& end, const std::filesystem::path& to) const;

private:
    /// A line that gave the true time of its stamp.
    struct Known {
        Instant stamp{};
        Instant time{};
    };

    [[nodiscard]] Event redated(Event event) const;

    std::vector<Known> known_;  ///< In order; one at least.
    LogPosition first_;
    Instant since_{};
};

}  // namespace tickledger
