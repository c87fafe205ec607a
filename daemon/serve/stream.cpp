// GET /v1/stream: events as they happen, as server-sent events.
#include <fmt/format.h>

#include <chrono>

#include "core/json_writer.hpp"
#include "serve/call.hpp"
#include "serve/news.hpp"

namespace tickledger {

namespace {

using Clock = std::chrono::steady_clock;
using std::chrono::seconds;

/// How often an event shows that the daemon is alive. A page that hears nothing for longer reports that.
constexpr auto heartbeat_every = seconds{10};
constexpr auto health_every = seconds{2};
/// With very many meters health takes a while. The pause after each look is at least this many times its
/// length.
constexpr int health_rest = 20;

class Stream {
public:
    Stream(const Call& call, std::shared_ptr<News::Watcher> watcher, std::string meter)
        : parts_(call.parts), watcher_(std::move(watcher)), meter_(std::move(meter)) {}

    Result<void> operator()(std::string& text) {
        if (!std::exchange(has_begun_, true)) text += greeting();
        watcher_->take(text, meter_, parts_.shows);
        look_at_health(text);
        const auto now = Clock::now();
        if (now - heartbeat_at_ < heartbeat_every) return {};
        heartbeat_at_ = now;
        text += event_text("heartbeat", time_document());
        return {};
    }

private:
    [[nodiscard]] std::string greeting() const {
        return "retry: 3000\n\n" + event_text("hello", time_document());
    }

    [[nodiscard]] std::string time_document() const {
        JsonObject document;
        document.text("time", parts_.zone.format(parts_.now()));
        return std::move(document).finish();
    }

    void look_at_health(std::string& text) {
        const auto began_at = Clock::now();
        if (began_at < next_health_at_) return;
        JsonArray sentences;
        const HealthFacts facts = parts_.health();
        const auto troubles = troubles_of(facts, parts_.zone);
        for (const std::string& trouble : troubles)
            sentences.add(json_string(trouble));
        JsonObject document;
        document.text("state", troubles.empty() ? "up" : "degraded");
        document.raw("troubles", std::move(sentences).finish());
        document.raw("unreadable", std::to_string(facts.messages_unreadable));
        document.raw("stray", std::to_string(facts.messages_stray));
        std::string health = std::move(document).finish();
        if (health != health_) text += event_text("health", health);
        health_ = std::move(health);
        const auto now = Clock::now();
        next_health_at_ = now + std::max<Clock::duration>(health_every, (now - began_at) * health_rest);
    }

    const ApiParts& parts_;
    std::shared_ptr<News::Watcher> watcher_;
    std::string meter_;
    std::string health_;
    bool has_begun_ = false;
    Clock::time_point heartbeat_at_ = Clock::now();
    Clock::time_point next_health_at_{};
};

}  // namespace

Response get_stream(const Call& call) {
    const auto meter = call.parameter("meter");
    if (meter) {
        const auto view = call.snapshots.take();
        if (!view) return ledger_problem(view.error());
        const auto found = find_meter(call, **view, *meter);
        if (!found) return found.error();
    }
    auto watcher = call.parts.news->watch();
    if (!watcher) {
        return problem(503, fmt::format("{} streams are already open, which is the limit. Close one.",
                                        News::watchers_max));
    }
    Response response;
    response.content_type = "text/event-stream";
    response.news = Stream(call, std::move(watcher), meter.value_or(""));
    return response;
}

}  // namespace tickledger
