// Carries events from the booking thread to open streams.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <string>
#include <string_view>
#include <vector>

#include "book/outbox.hpp"

namespace tickledger {

/// One server-sent event (WHATWG HTML, section 9.2) as text, with the empty line that ends it.
[[nodiscard]] std::string event_text(std::string_view event, std::string_view data);

/// Buffers publications while there are watchers, up to a bound; without watchers it buffers nothing. A
/// watcher that falls behind gets the event `missed` and must read the data again. All methods may be called
/// on any thread.
class News final : public Audience {
public:
    static constexpr std::size_t watchers_max = 32;

    /// A subscription; it ends when it is destroyed.
    class Watcher {
    public:
        ~Watcher();
        Watcher(const Watcher&) = delete;
        Watcher& operator=(const Watcher&) = delete;

        /// Appends the events since the previous call, as text. If `meter` is not empty, only that meter's
        /// readings and rows are included; alarms of all meters always are. If `shows` is not empty, it
        /// decides of which meters anything is included.
        void take(std::string& text, std::string_view meter,
                  const std::function<bool(const std::string& meter)>& shows = {});

    private:
        friend class News;
        explicit Watcher(News& news) : news_(news) {}
        News& news_;
        std::uint64_t next_ = 0;
    };

    /// `kept_max`: events kept for slow watchers. Memory: some hundred bytes each.
    explicit News(std::size_t kept_max = 32'768) : kept_max_(kept_max) {}

    /// Null if there are too many watchers already. The watcher must not outlive this.
    [[nodiscard]] std::shared_ptr<Watcher> watch();

    [[nodiscard]] bool listens() const override;
    void hear(const std::vector<MeterPublication>& published) override;

    /// Sets the function that is called after something was heard, on the thread that called hear(). Once
    /// this returns, the previous function is no longer called.
    void wake_with(std::function<void()> wake);

private:
    struct Item {
        std::string meter;
        std::string text;
        bool is_of_all = false;
    };

    mutable std::mutex mutex_;
    const std::size_t kept_max_;
    std::size_t watchers_ = 0;
    std::deque<Item> items_;
    std::uint64_t first_ = 0;  ///< The number of the first item kept.
    std::function<void()> wake_;
};

}  // namespace tickledger
