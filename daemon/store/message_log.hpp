// The message log: every accepted event, in order, before it is booked.
//
// A message is accepted once its line is in the log: write(2) has returned, so the line survives kill -9. A
// sync() every `sync_every` limits what a power cut can take. There is one file a day (UTC, by stamp), named
// 2026-03-01.jsonl, below <store.directory>/messages.
#pragma once

#include <compare>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "store/files.hpp"
#include "store/recording.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// A place in the log: before the line that begins at `offset_bytes` of that day's file.
struct LogPosition {
    std::string file;  ///< "2026-03-01.jsonl"; empty: the beginning of the log.
    std::uint64_t offset_bytes = 0;
    auto operator<=>(const LogPosition&) const = default;
    [[nodiscard]] std::string words() const { return file + " at byte " + std::to_string(offset_bytes); }
};

/// Appends events. Every method may be called from any thread. `files` must outlive it.
class MessageLog {
public:
    /// Opens the directory for appending, and makes it if it is missing. A torn last line, left by a power
    /// cut, is cut off; `torn_bytes()` gives its length. Idempotent.
    [[nodiscard]] static Result<std::unique_ptr<MessageLog>> open(Files& files,
                                                                  std::filesystem::path directory);

    /// Appends one event. Its time becomes the stamp: `now`, or the last stamp if the clock went back. The
    /// event is accepted when this returns without error. Returns the position after it. After a failure
    /// nothing of the line is left. If even that cannot be undone, the next append undoes it first.
    [[nodiscard]] Result<LogPosition> append(Event event, Instant now);

    /// Forces what was appended before the call to the disk. Returns at once if there is nothing to do.
    /// Appends go on meanwhile. After a failure the next call tries again.
    [[nodiscard]] Result<void> sync();

    /// Where the next line will be. All lines before it are accepted.
    [[nodiscard]] LogPosition end() const;
    /// How far the log and its time are settled. Lines before `end` are accepted. No later line will be
    /// stamped before `until`, which is `now`, or the last stamp if the clock went back.
    struct Horizon {
        LogPosition end;
        Instant until{};
    };
    [[nodiscard]] Horizon horizon(Instant now);
    [[nodiscard]] std::optional<Instant> last_stamp() const;
    /// What was rewritten since the last call, because it was removed, moved or cut while the daemon ran.
    /// Empty: nothing. The log checks for this before each append and each horizon.
    [[nodiscard]] std::string take_notice();
    /// The last such notice since the log was opened.
    [[nodiscard]] std::string notice() const;
    [[nodiscard]] std::uint64_t torn_bytes() const { return torn_bytes_; }

    /// Removes the files of days that ended at or before `before`. Keeps the file of `needed`, later files,
    /// and the file that is being written. A file also stays unless later files exist for as many days as are
    /// to be kept.
    [[nodiscard]] Result<void> remove_before(Instant before, const LogPosition& needed);

private:
    MessageLog(Files& files, std::filesystem::path directory)
        : files_(files), directory_(std::move(directory)) {}

    [[nodiscard]] Result<void> open_last_file(const std::vector<std::string>& names);
    [[nodiscard]] Result<void> find_last_stamp(const std::vector<std::string>& names);
    void look_for_notice();
    [[nodiscard]] Result<void> undo_torn_append();
    [[nodiscard]] Result<void> change_file(std::string name);

    Files& files_;
    std::filesystem::path directory_;
    std::uint64_t torn_bytes_ = 0;

    mutable std::mutex mutex_;  ///< Guards what follows. Not held while waiting for the disk.
    std::shared_ptr<AppendFile> file_;
    std::string notice_;
    bool is_notice_news_ = false;
    LogPosition end_;
    std::optional<Instant> last_stamp_;
    bool torn_append_ = false;  ///< Bytes of a failed append are still after `end_`.
    std::vector<std::shared_ptr<AppendFile>>
        unsynced_;           ///< In order of time; `file_` is the last, if it is here.
    std::mutex sync_mutex_;  ///< Taken before `mutex_`. One sync at a time, so that none returns too early.
};

/// No line that the log wrote is this long. A damaged disk may return a file without a newline.
inline constexpr std::size_t log_line_max_bytes = 16 * 1024 * 1024;

/// One line of the log as read back.
struct LoggedEvent {
    Event event;
    LogPosition next;  ///< The place after it. Store this with what the event caused.
};

/// Reads the log in order from a position, while it is being appended to. For one thread. `files` must
/// outlive it.
class MessageLogReader {
public:
    /// `from` must not be after the end() that the log had when it was opened. A power cut may have taken
    /// lines that were booked already. In that case begin at that end().
    MessageLogReader(Files& files, std::filesystem::path directory, LogPosition from);

    /// The next event before `limit` (an end() of the log), or nothing when all of them have been read. A
    /// line that cannot be read (a damaged disk) is skipped and counted. After an error the next call tries
    /// the same place again.
    [[nodiscard]] Result<std::optional<LoggedEvent>> next(const LogPosition& limit);

    [[nodiscard]] LogPosition position() const { return position_; }
    [[nodiscard]] std::uint64_t damaged_lines() const { return damaged_lines_; }

private:
    [[nodiscard]] std::optional<std::string_view> buffered_line();
    void drop_beginning_of_line();
    [[nodiscard]] Result<bool> read_more(const LogPosition& limit);
    [[nodiscard]] Result<bool> go_to_next_file(const LogPosition& limit);

    Files& files_;
    std::filesystem::path directory_;
    LogPosition position_;
    std::string buffer_;  ///< Bytes of the file; those from `used_bytes_` on begin at `position_`.
    std::size_t used_bytes_ = 0;
    std::size_t searched_bytes_ = 0;  ///< There is no newline between `used_bytes_` and here.
    bool lacks_beginning_ = false;    ///< The beginning of the current line, which is too long, was dropped.
    std::uint64_t damaged_lines_ = 0;
};

}  // namespace tickledger
