#include "serve/news.hpp"

#include "core/json_writer.hpp"

namespace tickledger {

namespace {

std::string_view event_of(MeterPublication::Kind kind) {
    switch (kind) {
        case MeterPublication::Kind::now:
            return "reading";
        case MeterPublication::Kind::usage:
            return "interval";
        case MeterPublication::Kind::day:
            return "day";
        case MeterPublication::Kind::alarm:
            return "alarm";
    }
    return {};
}

/// The topic of a published reading names its meter. Here the name goes into the document, as in the other
/// events.
std::string named(std::string_view meter, const std::string& document) {
    return R"({"meter":)" + json_string(meter) + "," + document.substr(1);
}

}  // namespace

std::string event_text(std::string_view event, std::string_view data) {
    std::string text = "event: ";
    text.append(event).append("\ndata: ").append(data).append("\n\n");
    return text;
}

News::Watcher::~Watcher() {
    const std::lock_guard lock(news_.mutex_);
    if (--news_.watchers_ > 0) return;
    news_.first_ += news_.items_.size();
    news_.items_.clear();
}

void News::Watcher::take(std::string& text, std::string_view meter,
                         const std::function<bool(const std::string& meter)>& shows) {
    const std::lock_guard lock(news_.mutex_);
    if (next_ < news_.first_) {
        text += event_text("missed", "{}");
        next_ = news_.first_;
    }
    for (; next_ < news_.first_ + news_.items_.size(); ++next_) {
        const Item& item = news_.items_[next_ - news_.first_];
        if (shows && !shows(item.meter)) continue;
        if (item.is_of_all || meter.empty() || item.meter == meter) text += item.text;
    }
}

std::shared_ptr<News::Watcher> News::watch() {
    const std::lock_guard lock(mutex_);
    if (watchers_ >= watchers_max) return nullptr;
    std::shared_ptr<Watcher> watcher(new Watcher(*this));
    ++watchers_;
    watcher->next_ = first_ + items_.size();
    return watcher;
}

bool News::listens() const {
    const std::lock_guard lock(mutex_);
    return watchers_ > 0;
}

void News::hear(const std::vector<MeterPublication>& published) {
    const std::lock_guard lock(mutex_);
    if (watchers_ == 0) return;
    for (const MeterPublication& one : published) {
        const bool is_reading = one.kind == MeterPublication::Kind::now;
        items_.push_back(
            {one.meter,
             event_text(event_of(one.kind), is_reading ? named(one.meter, one.payload) : one.payload),
             one.kind == MeterPublication::Kind::alarm});
    }
    while (items_.size() > kept_max_) {
        items_.pop_front();
        ++first_;
    }
    if (wake_) wake_();
}

void News::wake_with(std::function<void()> wake) {
    const std::lock_guard lock(mutex_);
    wake_ = std::move(wake);
}

}  // namespace tickledger
