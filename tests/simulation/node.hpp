// A node board on a meter: it counts ticks, sends messages and forgets at a power cut. Also keeps which ticks
// the messages reveal.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "tickledger/message.hpp"
#include "tickledger/meter.hpp"
#include "tickledger/time.hpp"

namespace tickledger::simulation {

struct NodeSettings {
    std::string topic = "nodes/house/water";
    MessageForm message = MessageForm::counter;
    /// Bits at which the counter wraps; 0: never.
    int counter_bits = 32;
    /// For a volume: the tick at which its display rolls over to 0; 0: never.
    std::uint64_t rolls_over_at_ticks = 0;
    /// The pulse value; for a volume 0.1, 1 or 10 L.
    Ratio pulse_value_l{1, 1};
    /// A volume is sent in cubic metres, as a string or as a JSON number, with one digit more than the ticks
    /// have.
    bool volume_is_text = true;
    /// Ticks between two saves of the count; the node restarts from the saved one. 1: every tick; 0: never.
    std::uint64_t checkpoint_ticks = 0;
    Duration cadence = std::chrono::minutes{3};
    std::uint64_t first_count = 0;
    /// The first message has the number after this one; numbers wrap at `seq_bits`. Each boot starts at 0
    /// again, or continues if `keeps_seq`.
    std::uint64_t first_seq = 0;
    int seq_bits = 32;
    bool keeps_seq = false;
    /// Fields that its messages have beside the count. Of these, SenML has only the time.
    bool tells_boot = true;
    bool tells_seq = true;
    bool tells_time = true;
    bool tells_saved = false;
    bool tells_uptime = false;
    /// Readings in one SenML pack.
    std::size_t senml_records = 1;
    std::string senml_name = "urn:dev:ow:0102030405060708;water";
    /// From sending to arrival.
    Duration journey = std::chrono::milliseconds{150};
};

/// What happens to a message.
enum class Fate : std::uint8_t {
    arrives,
    overtaken,  ///< It arrives after its successors.
    lost,
};

/// What a message means to a receiver who knows nothing but the messages.
enum class Meaning : std::uint8_t { nothing, first, measured, restart, preset };

struct Delivery {
    Message message;
    Instant sent_at{};
    /// Its content, whether or not its fields contain it: the cumulative count (of the last reading in a
    /// pack) or its pulses, the boot, the message number, and the count from which the node started.
    std::uint64_t count = 0;
    std::uint64_t first_count = 0;  ///< Of the first reading in a pack.
    std::uint64_t boot = 0;
    std::uint64_t seq = 0;
    std::uint64_t saved = 0;
    /// Ticks of true water since the node was created, including those while it was off; less what ran back.
    std::uint64_t true_ticks = 0;
    /// The node's true state, whatever its messages contain. `counted`: ticks counted since it was created
    /// (less what ran back), including those that it forgot later. `line` and `restored_line`: its count and
    /// the count that it started from, as if the counter never wrapped.
    std::int64_t counted = 0;
    std::int64_t line = 0;
    std::int64_t restored_line = 0;
    /// The same at the first reading of a pack.
    std::int64_t first_counted = 0;
    std::int64_t first_line = 0;
    /// How a receiver understands this message, and how many ticks it reveals.
    Meaning meaning = Meaning::nothing;
    std::uint64_t told_ticks = 0;
};

/// The fate of each true tick: told (revealed by a message), unseen for good, or not told yet.
struct Truth {
    /// When each told tick happened, in order of time.
    std::vector<Instant> told;
    /// Ticks that no message can reveal: the node was off, forgot them, or sent its first message later.
    std::vector<Instant> unseen;

    /// Told ticks in (from, to]. Equal to the ledger's if no entry crosses the ends.
    [[nodiscard]] std::int64_t told_ticks_in(Span span) const;
    [[nodiscard]] std::int64_t unseen_ticks_in(Span span) const;
};

/// One node. Its functions are called in order of time; it has no clock of its own.
///
/// It keeps what the messages reveal, including restarts and checkpoints that they report. It does not judge
/// plausibility: presets must be jumps that no flow explains, and gains must be possible.
class Node {
public:
    /// The node is on from the start.
    Node(NodeSettings settings, Instant at);

    void tick(Instant at);
    /// Water ran back, and the count with it. Only for a node that keeps every tick.
    void tick_back();
    void lose_power();
    void regain_power(Instant at);
    /// A person sets the count by hand.
    void preset(std::uint64_t count);
    /// Its clock shows the true time plus this.
    void set_clock_error(Duration error) { clock_error_ = error; }

    /// Takes effect with the next message.
    void speak_every(Duration cadence) { settings_.cadence = cadence; }

    /// Sends a message, or adds a reading to a pack. Nothing if the node is off or the pack is not full.
    /// A lost message is returned too, with its content, but must not be delivered.
    [[nodiscard]] std::optional<Delivery> speak(Instant at, Fate fate = Fate::arrives);

    [[nodiscard]] const NodeSettings& settings() const { return settings_; }
    [[nodiscard]] const Truth& truth() const { return truth_; }
    /// Ticks that the next message may reveal.
    [[nodiscard]] std::size_t pending_ticks() const { return pending_.size(); }
    [[nodiscard]] std::uint64_t count() const { return count_; }
    /// The count from which it last started.
    [[nodiscard]] std::uint64_t saved() const { return saved_; }
    [[nodiscard]] std::uint64_t boot() const { return boot_; }
    [[nodiscard]] bool is_on() const { return on_; }

private:
    struct Sample {
        Instant at{};
        std::uint64_t count = 0;
        std::int64_t counted = 0;
        std::int64_t line = 0;
    };
    struct Heard {
        std::uint64_t count = 0;
        std::uint64_t boot = 0;
        std::int64_t uptime_s = 0;
    };

    [[nodiscard]] std::uint64_t wrapped(std::uint64_t count) const;
    [[nodiscard]] bool after(std::uint64_t a, std::uint64_t b) const;
    [[nodiscard]] std::uint64_t checkpoint_below(std::uint64_t count) const;
    [[nodiscard]] std::int64_t uptime_s(Instant at) const;
    [[nodiscard]] std::string payload(Instant at) const;
    [[nodiscard]] std::string counter_payload(Instant at) const;
    [[nodiscard]] std::string senml_payload(Instant at) const;
    [[nodiscard]] std::string said_count() const;
    void tell_counter(Instant at, Delivery& delivery);
    void tell_pulses(Fate fate, Delivery& delivery);
    [[nodiscard]] Meaning meaning_of(std::uint64_t count, Instant at) const;
    [[nodiscard]] std::uint64_t gain_of(Meaning meaning, std::uint64_t count) const;
    void settle(std::uint64_t told_ticks);

    NodeSettings settings_;
    Duration clock_error_{};
    // What the board holds.
    bool on_ = true;
    std::uint64_t count_;
    std::uint64_t saved_;
    std::uint64_t boot_ = 1;
    std::uint64_t seq_ = 0;
    Instant on_since_;
    std::vector<Sample> samples_;
    // What the world knows.
    std::uint64_t true_ticks_ = 0;
    std::int64_t counted_ = 0;
    std::int64_t line_;
    std::int64_t restored_line_;
    std::vector<Instant> pending_;
    std::optional<Heard> heard_;
    bool preset_since_heard_ = false;
    Truth truth_;
};

}  // namespace tickledger::simulation
