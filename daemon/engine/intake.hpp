// Where events become accepted: they are stamped, appended to the message log and, if so configured, forced
// to the disk.
#pragma once

#include <atomic>
#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "engine/clock.hpp"
#include "engine/tell.hpp"
#include "store/message_log.hpp"
#include "tickledger/meter.hpp"

namespace tickledger {

/// Thread-safe.
class Intake {
public:
    struct Parts {
        MessageLog* log = nullptr;
        const Clock* clock = nullptr;
        std::shared_ptr<const std::vector<MeterSettings>> meters;
        /// The civil time cannot be earlier than this.
        Instant clock_floor{};
        /// At the start, a clock that no time service keeps is believed up to this long after that.
        Duration clock_reach = std::chrono::hours{24 * 365 * 10};
        /// The log holds messages, not booked yet, that wait for the clock to be set.
        bool has_undated = false;
        /// Called after each append. False: the line had to be on the disk by now and is not.
        std::function<bool()> on_appended;
        Tell tell;
    };

    explicit Intake(Parts parts)
        : parts_(std::move(parts)),
          clock_(*parts_.clock, {parts_.clock_floor, parts_.clock_reach}),
          stamps_(parts_.log->last_stamp(), parts_.clock->since_boot()),
          has_undated_(parts_.has_undated),
          meters_(parts_.meters) {}

    /// From now on, the nodes of these meters may be asked for the time.
    void use(std::shared_ptr<const std::vector<MeterSettings>> meters);

    /// True once the message is safe and may be acknowledged. If it is not, the journal says why.
    [[nodiscard]] bool accept(Message&& message);
    [[nodiscard]] bool accept(LinkChange change);
    /// Appends an instruction of a person; `document` as in Instruction. When this returns without error, the
    /// instruction is on the disk. Fails while the server's clock is not set, because the instruction's time
    /// would not be known.
    [[nodiscard]] Result<void> accept_instruction(std::string document);

    /// Checks whether a clock that was not set is set by now, and whether stamps are further ahead of the
    /// time than the log says. Writes both into the log. Call it now and then.
    void watch_clock();

    /// The time up to which the bookkeeper's clock may run: that of a stamp given now. It stands still while
    /// the time is not known.
    [[nodiscard]] Instant now();
    /// The time, if it is known. Stamps may be ahead of it.
    [[nodiscard]] std::optional<Instant> known_time() { return clock_.now(); }
    /// How far the server's clock is ahead of the believed time. Zero: it is believed.
    [[nodiscard]] Duration disbelieved_ahead() { return clock_.disbelieved_ahead(); }
    /// A person says that the server's clock is right now, and the log records it. Fails, with what to do, if
    /// it cannot be right or the log cannot be written.
    [[nodiscard]] Result<void> clock_is_right();
    [[nodiscard]] std::uint64_t accepted() const { return accepted_; }
    void count_accepted(std::uint64_t messages) { accepted_ += messages; }

private:
    [[nodiscard]] bool keep(Event event, Instant at);
    [[nodiscard]] Instant stamp_of_now(Instant now) { return stamps_.stamp(now, parts_.clock->since_boot()); }
    void date_what_waits();
    void note_stamps_ahead();
    [[nodiscard]] ClockSet set_now(Instant now);
    void tell_notice();
    void ask_node(const Message& message);
    [[nodiscard]] bool waited_at_broker(const Message& message);

    const Parts parts_;
    TrustedClock clock_;
    StampClock stamps_;
    /// Orders the undated lines and the line that dates them: a line that dates follows each undated line.
    std::mutex mutex_;
    bool has_undated_;
    /// How far the stamps are ahead of the time, according to the log.
    Duration noted_ahead_{};
    std::shared_ptr<const std::vector<MeterSettings>> meters_;
    /// While the broker empties its queue: when that began and when the last message came, as time since the
    /// machine's start.
    struct Backlog {
        Duration began_at{};
        Duration last_at{};
    };
    std::optional<Backlog> backlog_;
    std::atomic<std::uint64_t> accepted_{0};
};

}  // namespace tickledger
