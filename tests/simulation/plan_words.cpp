// The plan of a node as text, for the reports of worlds that are wrong.
#include <fmt/format.h>

#include "simulation/plan.hpp"

namespace tickledger::simulation {

std::string words(const PlannedNode& node) {
    const NodeSettings& settings = node.settings;
    std::string text = settings.message == MessageForm::counter  ? "counter"
                       : settings.message == MessageForm::pulses ? "pulses"
                       : settings.message == MessageForm::volume ? "volume"
                                                                 : "senml";
    text += " of " + std::to_string(settings.counter_bits) + " bits from " +
            std::to_string(settings.first_count) + ", saved every " +
            std::to_string(settings.checkpoint_ticks) + " ticks of " +
            fmt::format("{:.4g} L; tells", settings.pulse_value_l.value());
    const auto add = [&](bool is_so, const char* word) {
        text += is_so ? std::string(" ") + word : std::string();
    };
    add(settings.tells_boot, "boot"), add(settings.tells_seq, "seq"), add(settings.tells_time, "time");
    add(settings.tells_saved, "saved"), add(settings.tells_uptime, "uptime");
    if (settings.tells_seq)
        text += fmt::format(" (seq of {} bits after {}{})", settings.seq_bits, settings.first_seq,
                            settings.keeps_seq ? ", kept" : "");
    text += "; cadence " + format_duration(settings.cadence);
    if (node.story.pace.times != 1)
        text += fmt::format(" times {:.2f} +- {:.2f}", node.story.pace.times, node.story.pace.jitter);
    add(node.story.pace.speaks_at_ticks, "and at ticks");
    const auto count = [&](std::size_t number, const char* word) {
        text += number > 0 ? ", " + std::to_string(number) + " " + word : std::string();
    };
    const Story& story = node.story;
    count(story.power_cuts.size(), "power cuts"), count(story.presets.size(), "presets");
    count(story.silences.size(), "silences"), count(story.losses.size(), "losses");
    count(story.delays.size(), "delays"), count(story.overtaken.size(), "overtaken");
    count(story.redeliveries.size(), "redeliveries"), count(story.clock_errors.size(), "clock errors");
    count(story.backlogs.size(), "backlogs"), count(story.reversals.size(), "reversals");
    add(node.retains, "(retained)"), add(node.waits_for_broker, "(waits for the broker)");
    return text;
}

const char* name_of(Trouble trouble) {
    switch (trouble) {
        case Trouble::kill:
            return "kill";
        case Trouble::kill_at_write:
            return "kill at a write";
        case Trouble::power_cut:
            return "power cut";
        case Trouble::power_cut_at_write:
            return "power cut at a write";
        case Trouble::orderly_restart:
            return "orderly restart";
        case Trouble::full_disk:
            return "full disk";
        case Trouble::failing_disk:
            return "failing disk";
        case Trouble::broker_stopped:
            return "broker stopped";
        case Trouble::broker_killed:
            return "broker killed";
        case Trouble::link_lost:
            return "link lost";
        case Trouble::clock_step:
            return "clock step";
        case Trouble::session_expired:
            return "session expired";
    }
    return "?";
}

}  // namespace tickledger::simulation
