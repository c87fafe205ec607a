// The message log: every accepted event, in order, before it is booked.
//
// A message is accepted once its line is in the log (write(2) has returned: it survives kill -9);
// sync() every `sync_every` bounds what a power cut can take. One file a day (UTC, by stamp), named
// 2026-03-01.jsonl below <store.directory>/messages.
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

/// Appends. Every method may be called from any thread. `files` must outlive it.
class MessageLog {
public:
    /// Opens the directory (made if missing) for appending. A torn last line, left by a power cut,
    /// is cut off and told by `torn_bytes()`. Idempotent.
    [[nodiscard]] static Result<std::unique_ptr<MessageLog>> open(Files& files,
                                                                  std::filesystem::path directory);

    /// Appends one event; its time becomes the stamp: `now`, or the last stamp where the clock went
    /// back. The event is accepted when this returns without error; the position is the one after it.
    /// After a failure nothing of the line is left (or, if even that cannot be undone, the next append
    /// begins by undoing it).
    [[nodiscard]] Result<LogPosition> append(Event event, Instant now);

    /// Forces what was appended before the call to the disk; nothing to do: returns at once. Appends go on
    /// meanwhile. After a failure the next call tries again.
    [[nodiscard]] Result<void> sync();

    /// Where the next line will stand: all lines before it are accepted.
    [[nodiscard]] LogPosition end() const;
    /// How far the log and its time are settled: lines before `end` are accepted, and no later line will be
    /// stamped before `until` (which is `now`, or the last stamp where the clock went back).
    struct Horizon {
        LogPosition end;
        Instant until{};
    };
    [[nodiscard]] Horizon horizon(Instant now);
    [[nodiscard]] std::optional<Instant> last_stamp() const;
    /// What of the log was written anew since the last call, because it was removed, moved or cut under the
    /// daemon; empty: nothing. It is looked for before each append and each horizon.
    [[nodiscard]] std::string take_notice();
    /// The last of it since the log was opened.
    [[nodiscard]] std::string notice() const;
    [[nodiscard]] std::uint64_t torn_bytes() const { return torn_bytes_; }

    /// Removes the files of days that ended before `before`, but none at or after `needed`, nor the one
    /// that is being written.
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

    mutable std::mutex mutex_;  ///< Guards what follows, but is not held while the disk is waited for.
    std::shared_ptr<AppendFile> file_;
    std::string notice_;
    bool is_notice_news_ = false;
    LogPosition end_;
    std::optional<Instant> last_stamp_;
    bool torn_append_ = false;  ///< Bytes of a failed append still stand behind `end_`.
    std::vector<std::shared_ptr<AppendFile>>
        unsynced_;           ///< In order of time; `file_` is the last, if at all.
    std::mutex sync_mutex_;  ///< Taken before `mutex_`: one sync at a time, so that none returns too early.
};

/// No line that the log wrote is as long; a damaged disk may give back a file without a newline.
inline constexpr std::size_t log_line_max_bytes = 16 * 1024 * 1024;

/// One line of the log as read back.
struct LoggedEvent {
    Event event;
    LogPosition next;  ///< The place after it: store this with what the event caused.
};

/// Reads the log in order from a position, while it is being appended to.
/// One thread. `files` must outlive it.
class MessageLogReader {
public:
    /// `from` must not lie behind the end() that the log had when it was opened: a power cut may have taken
    /// lines that were booked already. Begin then at that end().
    MessageLogReader(Files& files, std::filesystem::path directory, LogPosition from);

    /// The next event before `limit` (an end() of the log), or nothing when all of them have been read. A
    /// line that cannot be read (a damaged disk) is passed over and counted. After an error the same place
    /// is tried again.
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
    std::size_t searched_bytes_ = 0;  ///< No newline stands between `used_bytes_` and here.
    bool lacks_beginning_ = false;    ///< Of the line that is being read, which is longer than any of ours.
    std::uint64_t damaged_lines_ = 0;
};

}  // namespace tickledger
