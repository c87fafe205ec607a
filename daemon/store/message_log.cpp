#include "store/message_log.hpp"

#include <algorithm>
#include <chrono>
#include <type_traits>
#include <utility>

#include "store/log_names.hpp"

namespace tickledger {

namespace {

/// Large enough that a system call costs little compared with the lines in it.
constexpr std::size_t chunk_bytes = 256 * 1024;

[[nodiscard]] tl::unexpected<Error> pass_on(Error& error) {
    return tl::unexpected<Error>(std::move(error));
}

/// The place after the last newline in a file's first `size_bytes` bytes; 0 if there is none. Searches
/// backwards from the end, so that a long day costs no more than a short one.
[[nodiscard]] Result<std::uint64_t> end_of_last_line(Files& files, const std::filesystem::path& file,
                                                     std::uint64_t size_bytes) {
    for (std::uint64_t from = size_bytes; from > 0;) {
        const auto step = std::min<std::uint64_t>(chunk_bytes, from);
        from -= step;
        auto chunk = files.read(file, from, static_cast<std::size_t>(step));
        if (!chunk) return pass_on(chunk.error());
        if (chunk->size() != step)
            return fail("Cannot read " + file.string() + ": it became shorter meanwhile.");
        if (const auto newline = chunk->rfind('\n'); newline != std::string::npos) return from + newline + 1;
    }
    return 0;
}

/// The stamp of the line from `begin_bytes` to `end_bytes`, which is after its newline. Nothing if the line
/// is damaged.
[[nodiscard]] Result<std::optional<Instant>> stamp_of_line(Files& files, const std::filesystem::path& file,
                                                           std::uint64_t begin_bytes,
                                                           std::uint64_t end_bytes) {
    const std::uint64_t length_bytes = end_bytes - 1 - begin_bytes;
    if (length_bytes > log_line_max_bytes) return std::nullopt;
    auto text = files.read(file, begin_bytes, static_cast<std::size_t>(length_bytes));
    if (!text) return pass_on(text.error());
    const auto event = parse_line(*text);
    // A stamp of another day than the file's is damage too; see MessageLogReader.
    if (!event || log_file_name(time_of(*event)) != file.filename().string()) return std::nullopt;
    return time_of(*event);
}

}  // namespace

// Opening.

Result<std::unique_ptr<MessageLog>> MessageLog::open(Files& files, std::filesystem::path directory) {
    if (auto made = files.make_directory(directory); !made) return pass_on(made.error());
    const auto names = log_files(files, directory);
    if (!names) return tl::unexpected<Error>(names.error());
    std::unique_ptr<MessageLog> log(new MessageLog(files, std::move(directory)));
    if (names->empty()) return log;
    if (auto opened = log->open_last_file(*names); !opened) return pass_on(opened.error());
    if (auto found = log->find_last_stamp(*names); !found) return pass_on(found.error());
    return log;
}

Result<void> MessageLog::open_last_file(const std::vector<std::string>& names) {
    // A daemon that was killed may have synced neither file.
    if (names.size() > 1) {
        auto before = files_.open_append(directory_ / names[names.size() - 2]);
        if (!before) return pass_on(before.error());
        unsynced_.push_back(std::move(*before));
    }
    const std::filesystem::path last = directory_ / names.back();
    auto file = files_.open_append(last);
    if (!file) return pass_on(file.error());
    const auto size = files_.size_bytes(last);
    if (!size) return tl::unexpected<Error>(size.error());
    const auto end = end_of_last_line(files_, last, *size);
    if (!end) return tl::unexpected<Error>(end.error());
    file_ = std::move(*file);
    end_ = {names.back(), *end};
    unsynced_.push_back(file_);
    torn_bytes_ = *size - *end;
    if (torn_bytes_ == 0) return {};
    // Synced at once, because a power cut could otherwise bring the bytes back in place of what is written
    // next.
    return file_->truncate(end_.offset_bytes).and_then([&] { return file_->sync(); });
}

Result<void> MessageLog::find_last_stamp(const std::vector<std::string>& names) {
    // The newest file was begun on its day, so the last stamp is not before that day, whatever the lines say.
    last_stamp_ = day_of_log_file(names.back());
    for (auto name = names.rbegin(); name != names.rend(); ++name) {
        const std::filesystem::path file = directory_ / *name;
        auto size = files_.size_bytes(file);
        if (!size) return pass_on(size.error());
        auto end = end_of_last_line(files_, file, *size);
        while (end && *end > 0) {
            const auto begin = end_of_last_line(files_, file, *end - 1);
            if (!begin) return tl::unexpected<Error>(begin.error());
            const auto stamp = stamp_of_line(files_, file, *begin, *end);
            if (!stamp) return tl::unexpected<Error>(stamp.error());
            if (*stamp) {
                last_stamp_ = std::max(*last_stamp_, **stamp);
                return {};
            }
            end = begin;
        }
        if (!end) return tl::unexpected<Error>(end.error());
    }
    return {};
}

// Appending.

Result<void> MessageLog::undo_torn_append() {
    if (!torn_append_) return {};
    if (auto cut = file_->truncate(end_.offset_bytes); !cut) return cut;
    torn_append_ = false;
    return {};
}

Result<void> MessageLog::change_file(std::string name) {
    auto file = files_.open_append(directory_ / name);
    if (!file) return pass_on(file.error());
    // A file of that name that is not the last one can only have appeared after the log was opened.
    auto size = files_.size_bytes(directory_ / name);
    if (!size) return pass_on(size.error());
    file_ = std::move(*file);
    end_ = {std::move(name), *size};
    return {};
}

Result<LogPosition> MessageLog::append(Event event, Instant now) {
    const std::lock_guard lock(mutex_);
    const Instant stamp = last_stamp_ ? std::max(*last_stamp_, now) : now;
    stamp_of(event) = stamp;
    const std::string line = to_line(event) + '\n';

    if (auto undone = undo_torn_append(); !undone) return pass_on(undone.error());
    if (std::string name = log_file_name(stamp); name != end_.file) {
        if (auto changed = change_file(std::move(name)); !changed) return pass_on(changed.error());
    }
    auto appended = file_->append(line);
    look_for_notice();
    if (!appended) {
        torn_append_ = true;
        // If this fails too, the next append begins with it. The first failure is the one reported.
        (void)undo_torn_append();
        return pass_on(appended.error());
    }
    if (unsynced_.empty() || unsynced_.back() != file_) unsynced_.push_back(file_);
    end_.offset_bytes += line.size();
    last_stamp_ = stamp;
    return end_;
}

void MessageLog::look_for_notice() {
    if (!file_) return;
    std::string notice = file_->take_notice();
    if (notice.empty()) return;
    notice_ = std::move(notice);
    is_notice_news_ = true;
}

std::string MessageLog::take_notice() {
    const std::lock_guard lock(mutex_);
    look_for_notice();
    return std::exchange(is_notice_news_, false) ? notice_ : std::string();
}

std::string MessageLog::notice() const {
    const std::lock_guard lock(mutex_);
    return notice_;
}

// Everything else.

Result<void> MessageLog::sync() {
    const std::lock_guard one_at_a_time(sync_mutex_);
    std::vector<std::shared_ptr<AppendFile>> files;
    {
        const std::lock_guard lock(mutex_);
        files.swap(unsynced_);
    }
    // Older files first, so that a power cut leaves a beginning of the log.
    while (!files.empty()) {
        if (auto synced = files.front()->sync(); !synced) {
            const std::lock_guard lock(mutex_);
            if (!unsynced_.empty() && unsynced_.front() == files.back()) files.pop_back();
            unsynced_.insert(unsynced_.begin(), files.begin(), files.end());
            return synced;
        }
        files.erase(files.begin());
    }
    return {};
}

LogPosition MessageLog::end() const {
    const std::lock_guard lock(mutex_);
    return end_;
}

MessageLog::Horizon MessageLog::horizon(Instant now) {
    const std::lock_guard lock(mutex_);
    // If this fails, the next append fails too and reports it.
    if (file_) (void)file_->stay_in_place();
    look_for_notice();
    last_stamp_ = std::max(now, last_stamp_.value_or(now));
    return {end_, *last_stamp_};
}

std::optional<Instant> MessageLog::last_stamp() const {
    const std::lock_guard lock(mutex_);
    return last_stamp_;
}

Result<void> MessageLog::remove_before(Instant before, const LogPosition& needed) {
    const auto names = log_files(files_, directory_);
    if (!names) return tl::unexpected<Error>(names.error());
    const std::string keep_from = std::min(end().file, needed.file);
    // A clock that jumps ahead must remove nothing. So a file goes only if as many later days as are to be
    // kept were really seen.
    const Duration kept = last_stamp().value_or(before) - before;
    const auto days_seen = std::max<std::int64_t>(std::chrono::floor<std::chrono::days>(kept).count(), 0);
    auto later = static_cast<std::int64_t>(names->size());
    for (const std::string& name : *names) {
        if (--later < days_seen) break;
        const Instant day_end = *day_of_log_file(name) + std::chrono::hours{24};
        if (name >= keep_from || day_end > before) break;
        if (auto removed = files_.remove(directory_ / name); !removed) return removed;
    }
    return {};
}

}  // namespace tickledger
