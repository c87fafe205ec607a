#include "simulation/node.hpp"

#include <date/date.h>
#include <fmt/format.h>

#include <algorithm>

namespace tickledger::simulation {

namespace {

std::int64_t number_in(const std::vector<Instant>& ticks, Span span) {
    return std::count_if(ticks.begin(), ticks.end(),
                         [&](Instant t) { return t > span.from && t <= span.to; });
}

std::string rfc3339(Instant t) {
    return date::format("%FT%TZ", std::chrono::floor<std::chrono::milliseconds>(t));
}

double unix_s(Instant t) {
    return static_cast<double>(t.time_since_epoch().count()) / 1e6;
}

}  // namespace

std::int64_t Truth::told_ticks_in(Span span) const {
    return number_in(told, span);
}
std::int64_t Truth::unseen_ticks_in(Span span) const {
    return number_in(unseen, span);
}

Node::Node(NodeSettings settings, Instant at)
    : settings_(std::move(settings)),
      count_(wrapped(settings_.first_count)),
      saved_(checkpoint_below(count_)),
      seq_(settings_.first_seq),
      on_since_(at),
      line_(static_cast<std::int64_t>(count_)),
      restored_line_(static_cast<std::int64_t>(saved_)) {}

std::uint64_t Node::wrapped(std::uint64_t count) const {
    if (settings_.rolls_over_at_ticks > 0) return count % settings_.rolls_over_at_ticks;
    if (settings_.counter_bits == 0) return count;
    return count & ((std::uint64_t{1} << static_cast<unsigned>(settings_.counter_bits)) - 1);
}

bool Node::after(std::uint64_t a, std::uint64_t b) const {
    // RFC 1982 section 3.2, for a range of counter_bits.
    const int bits = settings_.counter_bits == 0 ? 64 : settings_.counter_bits;
    const std::uint64_t ahead = wrapped(a - b);
    return ahead != 0 && ahead < std::uint64_t{1} << static_cast<unsigned>(bits - 1);
}

std::uint64_t Node::checkpoint_below(std::uint64_t count) const {
    return settings_.checkpoint_ticks == 0 ? 0 : count - count % settings_.checkpoint_ticks;
}

std::int64_t Node::uptime_s(Instant at) const {
    return std::chrono::floor<std::chrono::seconds>(at - on_since_).count();
}

void Node::tick(Instant at) {
    ++true_ticks_;
    // A meter's own display keeps counting while the board that reads it is off.
    if (!on_ && settings_.message != MessageForm::volume) {
        truth_.unseen.push_back(at);
        return;
    }
    count_ = wrapped(count_ + 1);
    ++counted_, ++line_;
    pending_.push_back(at);
}

void Node::tick_back() {
    --true_ticks_;
    if (!on_ && settings_.message != MessageForm::volume) return;
    count_ = count_ == 0 && settings_.rolls_over_at_ticks > 0 ? settings_.rolls_over_at_ticks - 1
                                                              : wrapped(count_ - 1);
    --counted_, --line_;
    // The youngest tick is taken back. If it was told already, the lists of single ticks cannot show that.
    if (!pending_.empty()) pending_.pop_back();
}

void Node::lose_power() {
    if (!on_) return;
    on_ = false;
    samples_.clear();
    // Its count falls back to the last checkpoint: the youngest ticks that are not told yet are lost. A board
    // that sends pulses and saves nothing loses everything that it has not sent.
    const bool forgets_all = settings_.message == MessageForm::pulses && settings_.checkpoint_ticks == 0;
    const std::uint64_t restored = checkpoint_below(count_);
    const auto forgotten =
        forgets_all ? pending_.size() : std::min<std::size_t>(count_ - restored, pending_.size());
    const auto from = pending_.end() - static_cast<std::ptrdiff_t>(forgotten);
    truth_.unseen.insert(truth_.unseen.end(), from, pending_.end());
    pending_.erase(from, pending_.end());
    // A forgotten count starts a new line.
    line_ = settings_.checkpoint_ticks == 0 ? 0 : line_ - static_cast<std::int64_t>(count_ - restored);
    restored_line_ = line_;
    count_ = restored;
    saved_ = restored;
}

void Node::regain_power(Instant at) {
    if (on_) return;
    on_ = true;
    ++boot_;
    if (!settings_.keeps_seq) seq_ = 0;
    on_since_ = at;
}

void Node::preset(std::uint64_t count) {
    count_ = wrapped(count);
    saved_ = checkpoint_below(count_);
    line_ = static_cast<std::int64_t>(count_);
    restored_line_ = static_cast<std::int64_t>(saved_);
    preset_since_heard_ = true;
}

std::optional<Delivery> Node::speak(Instant at, Fate fate) {
    if (!on_) return std::nullopt;
    samples_.push_back({at, count_, counted_, line_});
    if (settings_.message == MessageForm::senml && samples_.size() < settings_.senml_records) {
        return std::nullopt;
    }
    seq_ = (seq_ + 1) & ((std::uint64_t{1} << static_cast<unsigned>(settings_.seq_bits)) - 1);
    Delivery delivery;
    delivery.sent_at = at;
    delivery.count = settings_.message == MessageForm::pulses ? pending_.size() : count_;
    delivery.first_count = samples_.front().count;
    delivery.boot = boot_;
    delivery.seq = seq_;
    delivery.saved = saved_;
    delivery.true_ticks = true_ticks_;
    delivery.counted = counted_;
    delivery.line = line_;
    delivery.restored_line = restored_line_;
    delivery.first_counted = samples_.front().counted;
    delivery.first_line = samples_.front().line;
    delivery.message.arrived_at = at + settings_.journey;
    delivery.message.topic = settings_.topic;
    delivery.message.payload = payload(at);
    if (settings_.message == MessageForm::pulses) {
        tell_pulses(fate, delivery);
    } else if (fate == Fate::arrives) {
        tell_counter(at, delivery);
    }
    samples_.clear();
    return delivery;
}

std::string Node::payload(Instant at) const {
    return settings_.message == MessageForm::senml ? senml_payload(at) : counter_payload(at);
}

std::string Node::said_count() const {
    switch (settings_.message) {
        case MessageForm::pulses:
            return fmt::format(R"("pulses":{})", pending_.size());
        case MessageForm::volume: {
            const auto ticks_per_m3 = static_cast<std::uint64_t>(1000 / settings_.pulse_value_l.value());
            const std::string below_1_m3 = std::to_string(ticks_per_m3 + count_ % ticks_per_m3).substr(1);
            // The digit below the pulse value is arbitrary and must be ignored.
            const auto digits = fmt::format("{}.{}{}", count_ / ticks_per_m3, below_1_m3, count_ * 7 % 10);
            return settings_.volume_is_text ? fmt::format(R"("volume":"00{}")", digits)
                                            : fmt::format(R"("volume":{})", digits);
        }
        default:
            return fmt::format(R"("count":{})", count_);
    }
}

std::string Node::counter_payload(Instant at) const {
    const bool is_counter = settings_.message == MessageForm::counter;
    std::string json = "{" + said_count();
    if (settings_.tells_boot) json += fmt::format(R"(,"boot":{})", boot_);
    if (settings_.tells_seq) json += fmt::format(R"(,"seq":{})", seq_);
    if (settings_.tells_saved && is_counter) json += fmt::format(R"(,"saved":{})", saved_);
    if (settings_.tells_uptime) json += fmt::format(R"(,"uptime":{})", uptime_s(at));
    if (settings_.tells_time) json += fmt::format(R"(,"time":"{}")", rfc3339(at + clock_error_));
    return json + "}";
}

std::string Node::senml_payload(Instant at) const {
    // RFC 8428: base fields are in the first record; a base time below 2^28 would be relative to now.
    std::string base = fmt::format(R"("bn":"{}","bu":"count",)", settings_.senml_name);
    if (settings_.tells_time) base += fmt::format(R"("bt":{:.3f},)", unix_s(at + clock_error_));
    std::string json = "[";
    for (const Sample& sample : samples_) {
        const double age_s = static_cast<double>((sample.at - at).count()) / 1e6;
        json += fmt::format(R"({}{{{}"t":{:.3f},"v":{}}})", json.size() > 1 ? "," : "", base, age_s,
                            sample.count);
        base.clear();
    }
    return json + "]";
}

void Node::tell_pulses(Fate fate, Delivery& delivery) {
    if (fate == Fate::lost) {
        settle(0);
        return;
    }
    delivery.meaning = Meaning::measured;
    delivery.told_ticks = pending_.size();
    settle(delivery.told_ticks);
}

void Node::tell_counter(Instant at, Delivery& delivery) {
    const Sample& first = samples_.front();
    delivery.meaning = meaning_of(first.count, at);
    const std::uint64_t within_pack = wrapped(count_ - first.count);
    delivery.told_ticks = gain_of(delivery.meaning, first.count) + within_pack;
    heard_ = Heard{count_, boot_, uptime_s(at)};
    preset_since_heard_ = false;
    settle(delivery.told_ticks);
}

Meaning Node::meaning_of(std::uint64_t count, Instant at) const {
    if (!heard_) return Meaning::first;
    if (preset_since_heard_) return Meaning::preset;
    if (boot_ == heard_->boot) return Meaning::measured;
    const bool senml = settings_.message == MessageForm::senml;
    const bool boot_changed = settings_.tells_boot && !senml;
    const bool uptime_fell = settings_.tells_uptime && !senml && uptime_s(at) < heard_->uptime_s;
    // A restart that is not reported and does not lower the count looks like an advance.
    return boot_changed || uptime_fell || count < heard_->count ? Meaning::restart : Meaning::measured;
}

std::uint64_t Node::gain_of(Meaning meaning, std::uint64_t count) const {
    if (meaning == Meaning::measured) return wrapped(count - heard_->count);
    if (meaning != Meaning::restart) return 0;
    std::uint64_t restored = 0;
    if (settings_.tells_saved && settings_.message == MessageForm::counter) {
        restored = saved_;
    } else if (settings_.checkpoint_ticks > 0) {
        restored = checkpoint_below(count);
    } else if (count >= heard_->count) {
        restored = heard_->count;
    }
    return wrapped(count - (after(restored, heard_->count) ? heard_->count : restored));
}

void Node::settle(std::uint64_t told_ticks) {
    // If fewer ticks can be known than are pending (two restarts between messages), the oldest stay unseen.
    const auto known = std::min<std::size_t>(told_ticks, pending_.size());
    const auto from = pending_.end() - static_cast<std::ptrdiff_t>(known);
    truth_.unseen.insert(truth_.unseen.end(), pending_.begin(), from);
    truth_.told.insert(truth_.told.end(), from, pending_.end());
    pending_.clear();
}

}  // namespace tickledger::simulation
