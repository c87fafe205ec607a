#include "simulation/story.hpp"

#include <algorithm>
#include <functional>

namespace tickledger::simulation {

namespace {

// In the order in which things that share an instant happen.
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

class Telling {
public:
    Telling(Node& node, const Story& story, Instant from)
        : node_(node), story_(story), previous_sent_at_(from) {}

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
    }

    void speak(Instant at) {
        if (span_with(story_.silences, at) != nullptr) return;
        const Span* overtaken = span_with(story_.overtaken, at);
        if (overtaken != nullptr && overtaken == last_overtaken_) overtaken = nullptr;
        const bool lost = span_with(story_.losses, at) != nullptr;
        auto delivery = node_.speak(at, lost                   ? Fate::lost
                                        : overtaken != nullptr ? Fate::overtaken
                                                               : Fate::arrives);
        if (!delivery || lost) return;
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
        std::stable_sort(deliveries_.begin(), deliveries_.end(), [](const Delivery& a, const Delivery& b) {
            return a.message.arrived_at < b.message.arrived_at;
        });
        return std::move(deliveries_);
    }

private:
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
    const Span* last_overtaken_ = nullptr;
    Instant previous_sent_at_;
    std::vector<Delivery> deliveries_;
};

}  // namespace

std::vector<Delivery> run(Node& node, const std::vector<Instant>& ticks, const Story& story, Span span) {
    Telling telling(node, story, span.from);
    std::vector<Happening> all;
    for (const Instant tick : ticks) {
        all.push_back({tick, Rank::water, [&node, tick] { node.tick(tick); }});
    }
    telling.add_accidents(all);
    for (Instant at = span.from + node.settings().cadence; at <= span.to; at += node.settings().cadence) {
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
