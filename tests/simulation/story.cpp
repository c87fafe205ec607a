#include "simulation/story.hpp"

#include <algorithm>
#include <functional>
#include <utility>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

// The order of things that happen at the same instant.
enum class Rank : std::uint8_t { water, accident, message };

struct Happening {
    Instant at{};
    Rank rank = Rank::water;
    std::function<void()> happen;
};

const Span* span_with(const std::vector<Span>& spans, Instant t) {
    const auto found = std::find_if(spans.begin(), spans.end(),
                                    [&](const Span& span) { return t > span.from && t <= span.to; });
    return found == spans.end() ? nullptr : &*found;
}

const Backlog* backlog_with(const std::vector<Backlog>& backlogs, Instant t) {
    const auto found = std::find_if(backlogs.begin(), backlogs.end(), [&](const Backlog& backlog) {
        return t > backlog.during.from && t <= backlog.during.to;
    });
    return found == backlogs.end() ? nullptr : &*found;
}

/// When the node sends a message.
std::vector<Instant> turns(Duration cadence, const KeptCadence& pace, const std::vector<Instant>& ticks,
                           Span span) {
    Chance chance(pace.seed);
    std::vector<Instant> all;
    const auto next = [&](Instant at) {
        if (pace.times == 1 && pace.jitter == 0) return at + cadence;
        const double turn = pace.times * chance.between(1 - pace.jitter, 1 + pace.jitter);
        // A node's times have milliseconds.
        return at + std::chrono::duration_cast<std::chrono::milliseconds>(cadence * turn);
    };
    for (Instant at = next(span.from); at <= span.to; at = next(at))
        all.push_back(at);
    if (!pace.speaks_at_ticks) return all;
    constexpr Duration apart = std::chrono::seconds{2};
    const std::vector<Instant> steady = all;
    Instant spoke = span.from;
    for (const Instant tick : ticks) {
        const Instant at = std::chrono::ceil<std::chrono::milliseconds>(std::max(tick, spoke + apart));
        const auto near = std::upper_bound(steady.begin(), steady.end(), at - apart);
        const bool speaks_anyway = near != steady.end() && *near < at + apart;
        if (at - tick > apart || at > span.to || speaks_anyway) continue;
        all.push_back(spoke = at);
    }
    std::sort(all.begin(), all.end());
    return all;
}

// After a start, a board needs a while until it sends the messages that it kept.
constexpr Duration start_takes = std::chrono::seconds{4};

class Telling {
public:
    Telling(Node& node, const Story& story, Instant from, std::vector<Delivery>* unheard)
        : node_(node), story_(story), unheard_(unheard), previous_sent_at_(from) {}

    void add_accidents(std::vector<Happening>& all) {
        const auto add = [&](Instant at, std::function<void()> happen) {
            all.push_back({at, Rank::accident, std::move(happen)});
        };
        for (const Span& cut : story_.power_cuts) {
            add(cut.from, [this] { node_.lose_power(); });
            add(cut.to, [this, cut] { node_.regain_power(cut.to); });
        }
        for (const Preset& preset : story_.presets) {
            add(preset.at, [this, preset] { node_.preset(preset.count); });
        }
        for (const ClockError& wrong : story_.clock_errors) {
            add(wrong.during.from, [this, wrong] { node_.set_clock_error(wrong.error); });
            add(wrong.during.to, [this] { node_.set_clock_error(Duration{0}); });
        }
        for (const Instant at : story_.back_ticks())
            all.push_back({at, Rank::water, [this] { node_.tick_back(); }});
    }

    void speak(Instant at) {
        if (span_with(story_.silences, at) != nullptr) return;
        const Span* overtaken = span_with(story_.overtaken, at);
        if (overtaken != nullptr && overtaken == last_overtaken_) overtaken = nullptr;
        const Backlog* backlog = backlog_with(story_.backlogs, at);
        if (backlog == nullptr && queue_) send_queue();
        // While the queue is being sent, this message joins its end.
        const bool queues_up = backlog == nullptr && sending_ && at < free_at_ && !sending_->mixes_live;
        const bool waits = backlog != nullptr || queues_up;
        const bool lost = !waits && span_with(story_.losses, at) != nullptr;
        auto delivery = node_.speak(at, lost                            ? Fate::lost
                                        : waits || overtaken != nullptr ? Fate::overtaken
                                                                        : Fate::arrives);
        if (!delivery) return;
        if (lost) {
            keep_unheard(std::move(*delivery));
            return;
        }
        if (backlog != nullptr) {
            if (queue_ != backlog && queue_) send_queue();
            queue_ = backlog;
            queued_.push_back(std::move(*delivery));
            return;
        }
        if (queues_up) {
            send_queued(std::move(*delivery), *sending_);
            return;
        }
        if (overtaken != nullptr) {
            last_overtaken_ = overtaken;
            delivery->message.arrived_at = overtaken->to + 2 * node_.settings().journey;
        } else if (const Span* delay = span_with(story_.delays, at)) {
            delivery->message.arrived_at = delay->to + node_.settings().journey;
        }
        deliveries_.push_back(*delivery);
        redeliver(*delivery);
    }

    std::vector<Delivery> in_order_of_arrival() {
        if (queue_) send_queue();
        std::stable_sort(deliveries_.begin(), deliveries_.end(), [](const Delivery& a, const Delivery& b) {
            return a.message.arrived_at < b.message.arrived_at;
        });
        return std::move(deliveries_);
    }

private:
    void keep_unheard(Delivery delivery) {
        if (unheard_ != nullptr) unheard_->push_back(std::move(delivery));
    }

    /// The network is back: the whole queue is sent.
    void send_queue() {
        sending_ = std::exchange(queue_, nullptr);
        free_at_ = sending_->during.to;
        in_piece_ = 0;
        const std::size_t first_sent = deliveries_.size();
        for (Delivery& delivery : std::exchange(queued_, {}))
            send_queued(std::move(delivery), *sending_);
        const std::size_t sent = deliveries_.size() - first_sent;
        for (std::size_t left = std::min(sending_->repeated, sent); left > 0; --left)
            send_copy(deliveries_[first_sent + sent - left]);
    }

    /// Returns when the next queued message is sent, and sets the time of the one after it.
    Instant next_turn(const Backlog& backlog) {
        if (backlog.piece > 0 && in_piece_ == backlog.piece) {
            free_at_ += backlog.pause;
            in_piece_ = 0;
        }
        ++in_piece_;
        return std::exchange(free_at_, free_at_ + backlog.gap);
    }

    void send_queued(Delivery delivery, const Backlog& backlog) {
        Instant at = next_turn(backlog);
        for (const Span& cut : story_.power_cuts) {
            const bool strikes_it = cut.from > delivery.sent_at && cut.from <= at;
            if (!strikes_it) continue;
            if (!backlog.survives_power_cut) return keep_unheard(std::move(delivery));
            if (at < cut.to + start_takes) {
                free_at_ = cut.to + start_takes;
                at = next_turn(backlog);
            }
        }
        delivery.message.arrived_at = at + node_.settings().journey;
        deliveries_.push_back(std::move(delivery));
    }

    /// The node sends the message again, without a flag for it.
    void send_copy(Delivery copy) {
        copy.message.arrived_at =
            std::exchange(free_at_, free_at_ + sending_->gap) + node_.settings().journey;
        copy.meaning = Meaning::nothing;
        copy.told_ticks = 0;
        deliveries_.push_back(std::move(copy));
    }

    void redeliver(const Delivery& delivery) {
        for (const Redelivery& again : story_.redeliveries) {
            const bool is_first_since = previous_sent_at_ < again.at && again.at <= delivery.sent_at;
            if (!is_first_since) continue;
            Delivery copy = delivery;
            copy.message.arrived_at += again.later;
            copy.message.redelivered = true;
            copy.meaning = Meaning::nothing;
            copy.told_ticks = 0;
            deliveries_.push_back(std::move(copy));
        }
        previous_sent_at_ = delivery.sent_at;
    }

    Node& node_;
    const Story& story_;
    std::vector<Delivery>* unheard_;
    const Span* last_overtaken_ = nullptr;
    const Backlog* queue_ = nullptr;    ///< The backlog whose readings wait now.
    const Backlog* sending_ = nullptr;  ///< The backlog that was sent last.
    std::vector<Delivery> queued_;
    Instant free_at_{};  ///< When the queue's next message may be sent.
    std::size_t in_piece_ = 0;
    Instant previous_sent_at_;
    std::vector<Delivery> deliveries_;
};

}  // namespace

std::vector<Instant> Story::back_ticks() const {
    std::vector<Instant> all;
    for (const Reversal& reversal : reversals) {
        for (int tick = 0; tick < reversal.ticks; ++tick)
            all.push_back(reversal.at + tick * reversal.spacing);
    }
    std::sort(all.begin(), all.end());
    return all;
}

std::vector<Delivery> run(Node& node, const std::vector<Instant>& ticks, const Story& story, Span span,
                          std::vector<Delivery>* unheard) {
    Telling telling(node, story, span.from, unheard);
    std::vector<Happening> all;
    for (const Instant tick : ticks) {
        all.push_back({tick, Rank::water, [&node, tick] { node.tick(tick); }});
    }
    telling.add_accidents(all);
    for (const Instant at : turns(node.settings().cadence, story.pace, ticks, span)) {
        all.push_back({at, Rank::message, [&telling, at] { telling.speak(at); }});
    }
    std::stable_sort(all.begin(), all.end(), [](const Happening& a, const Happening& b) {
        return a.at != b.at ? a.at < b.at : a.rank < b.rank;
    });
    for (const Happening& happening : all) {
        if (happening.at > span.from && happening.at <= span.to) happening.happen();
    }
    return telling.in_order_of_arrival();
}

}  // namespace tickledger::simulation
