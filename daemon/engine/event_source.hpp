// Where the engine's events come from: the message log of a running daemon, or a recording.
#pragma once

#include <optional>

#include "store/message_log.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// For one thread.
class EventSource {
public:
    virtual ~EventSource() = default;

    /// Notes how far the source can be read at this moment. Call it before next().
    virtual void look(Instant now) = 0;
    /// The next event. Nothing when everything that was there at look() has been read. After a failure the
    /// next call tries the same event again.
    [[nodiscard]] virtual Result<std::optional<LoggedEvent>> next() = 0;
    /// Once next() returned nothing: no event still to come is earlier than this moment. Empty: the source
    /// held no event with a time.
    [[nodiscard]] virtual std::optional<Instant> reached() const = 0;
    /// Once next() returned nothing: whether the source has ended for good.
    [[nodiscard]] virtual bool has_ended() const = 0;
    /// Removes what is older than `before` and lies before `needed`, if the source is the daemon's own.
    [[nodiscard]] virtual Result<void> remove_before(Instant before, const LogPosition& needed) = 0;
};

/// The message log, while it is being appended to.
class LogSource final : public EventSource {
public:
    /// `messages`: the directory of the log. `from` as in MessageLogReader.
    LogSource(Files& files, const std::filesystem::path& messages, MessageLog& log, LogPosition from)
        : log_(log), reader_(files, messages, std::move(from)) {}

    void look(Instant now) override { horizon_ = log_.horizon(now); }
    [[nodiscard]] Result<std::optional<LoggedEvent>> next() override { return reader_.next(horizon_.end); }
    [[nodiscard]] std::optional<Instant> reached() const override { return horizon_.until; }
    [[nodiscard]] bool has_ended() const override { return false; }
    [[nodiscard]] Result<void> remove_before(Instant before, const LogPosition& needed) override {
        return log_.remove_before(before, needed);
    }

private:
    MessageLog& log_;
    MessageLogReader reader_;
    MessageLog::Horizon horizon_;
};

}  // namespace tickledger
