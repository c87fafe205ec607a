// The true times of what the message log stamped ahead of the time, and the log with them.
//
// A server whose clock was ahead stamps what comes too late; once the clock is right the stamps go on from
// there, a sixteenth slower, until the time has caught up (docs/time.md). Lines of the log tell by how much
// they were ahead.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <vector>

#include "store/message_log.hpp"

namespace tickledger {

class Redating {
public:
    /// Reads the log up to `end`. `since`: the first stamp that was ahead; nothing: where the stamps leapt by
    /// as much as they turned out to be ahead. Fails where no line tells that they were, where they leapt so
    /// far more than once, and where true times would lie before what was stamped earlier.
    [[nodiscard]] static Result<Redating> of_log(Files& files, const std::filesystem::path& directory,
                                                 const LogPosition& end, std::optional<Instant> since);

    /// The place of the first line that was stamped ahead, its stamp, and by how much it was ahead.
    [[nodiscard]] const LogPosition& first() const { return first_; }
    [[nodiscard]] Instant since() const { return since_; }
    [[nodiscard]] Duration ahead() const { return known_.front().stamp - known_.front().time; }
    /// The stamp from which on the stamps ran slower.
    [[nodiscard]] Instant right_at() const { return known_.front().stamp; }

    /// When it was that the log stamped so. Precondition: not before since().
    [[nodiscard]] Instant time_of(Instant stamp) const;

    /// Writes the log up to `end` into `to` as it would be had the clock been right, durably: lines before
    /// first() as they are, the others at their true times, and so the times in what people said. Returns how
    /// many got another stamp. Lines that cannot be read are left out. Precondition: `to` does not exist.
    [[nodiscard]] Result<std::uint64_t> write(Files& files, const std::filesystem::path& from,
                                              const LogPosition& end, const std::filesystem::path& to) const;

private:
    /// A line that told the time.
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
