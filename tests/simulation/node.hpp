// A node board on a meter: it counts, it speaks, it forgets. And what of its water can be known.
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
    /// Of a volume: the pulse value at which its display begins again at 0; 0: never.
    std::uint64_t rolls_over_at_ticks = 0;
    /// What a tick stands for; of a volume 0.1, 1 or 10 L.
    Ratio pulse_value_l{1, 1};
    /// A volume is told in cubic metres, as a text or as a JSON number, with a digit more than the ticks
    /// have.
    bool volume_is_text = true;
    /// It saves its count every so many ticks and restarts from there; 1: every tick; 0: it saves none.
    std::uint64_t checkpoint_ticks = 0;
    Duration cadence = std::chrono::minutes{3};
    std::uint64_t first_count = 0;
    /// Its messages are numbered from the one after this on, in so many bits; each start begins at 0, or goes
    /// on.
    std::uint64_t first_seq = 0;
    int seq_bits = 32;
    bool keeps_seq = false;
    /// Fields that its messages carry beside the count. SenML has none of them but the time.
    bool tells_boot = true;
    bool tells_seq = true;
    bool tells_time = true;
    bool tells_saved = false;
    bool tells_uptime = false;
    /// So many readings are gathered into one SenML pack.
    std::size_t senml_records = 1;
    std::string senml_name = "urn:dev:ow:0102030405060708;water";
    /// From sending to arriving.
    Duration journey = std::chrono::milliseconds{150};
};

/// What becomes of a message.
enum class Fate : std::uint8_t {
    arrives,
    overtaken,  ///< It arrives after its successors.
    lost,
};

/// How a message can be understood by somebody who has only the messages.
enum class Meaning : std::uint8_t { nothing, first, measured, restart, preset };

struct Delivery {
    Message message;
    Instant sent_at{};
    /// What it says, whether or not its fields carry it: the cumulative count (of the last reading in a pack)
    /// or its pulses, the start of the node, its message number, the count from which it started.
    std::uint64_t count = 0;
    std::uint64_t first_count = 0;  ///< Of the first reading in a pack.
    std::uint64_t boot = 0;
    std::uint64_t seq = 0;
    std::uint64_t saved = 0;
    /// Ticks of true water since the node was made, also those it slept through; less what ran back.
    std::uint64_t true_ticks = 0;
    /// What the node did, whatever its messages tell: ticks that it has counted since it was made (less what
    /// ran back), also those that it forgot later; its count and the count that it started from, as they
    /// would be in a counter that never wraps.
    std::int64_t counted = 0;
    std::int64_t line = 0;
    std::int64_t restored_line = 0;
    /// The same at the first reading of a pack.
    std::int64_t first_counted = 0;
    std::int64_t first_line = 0;
    /// What this message adds to what is known, and as what.
    Meaning meaning = Meaning::nothing;
    std::uint64_t told_ticks = 0;
};

/// The fate of each true tick: told by a message, forgotten for good, or not told yet.
struct Truth {
    /// When each told tick happened, in order of time.
    std::vector<Instant> told;
    /// Ticks that no message can ever tell: the node was off, forgot them, or spoke for the first time later.
    std::vector<Instant> unseen;

    /// Told ticks in (from, to]. Equal to a ledger's where no message's span crosses the ends.
    [[nodiscard]] std::int64_t told_ticks_in(Span span) const;
    [[nodiscard]] std::int64_t unseen_ticks_in(Span span) const;
};

/// One node. Everything is told to it in order of time; it never asks for the time.
///
/// The truth it keeps is what the messages allow to be known, told restarts and checkpoints counted in. It
/// knows no limits of plausibility: presets must be jumps that no flow explains, and gains must be possible.
class Node {
public:
    /// Switched on at once.
    Node(NodeSettings settings, Instant at);

    void tick(Instant at);
    /// Water ran back, and the count with it. Only for a node that keeps every tick.
    void tick_back();
    void lose_power();
    void regain_power(Instant at);
    /// Somebody sets the count by hand.
    void preset(std::uint64_t count);
    /// Its clock shows the true time plus this.
    void set_clock_error(Duration error) { clock_error_ = error; }

    /// From its next message on.
    void speak_every(Duration cadence) { settings_.cadence = cadence; }

    /// Sends a message, or gathers a reading for a pack; nothing where it is off or the pack is not full.
    /// A lost message comes back too, with what it said, though nobody may receive it.
    [[nodiscard]] std::optional<Delivery> speak(Instant at, Fate fate = Fate::arrives);

    [[nodiscard]] const NodeSettings& settings() const { return settings_; }
    [[nodiscard]] const Truth& truth() const { return truth_; }
    /// Ticks that wait to be told by the next message.
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
