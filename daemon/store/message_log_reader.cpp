#include <algorithm>
#include <limits>
#include <utility>

#include "store/log_names.hpp"
#include "store/message_log.hpp"

namespace tickledger {

namespace {

/// Large enough that opening the file for each read costs little compared with the lines in it.
constexpr std::size_t read_bytes = 256 * 1024;

/// The log writes each line into the file of its stamp's day. A line of another day would only set the clock
/// wrong.
bool is_of_file(const Event& event, const std::string& file) {
    const auto day = day_of_log_file(file);
    return day && std::chrono::floor<std::chrono::days>(time_of(event)) == *day;
}

}  // namespace

MessageLogReader::MessageLogReader(Files& files, std::filesystem::path directory, LogPosition from)
    : files_(files), directory_(std::move(directory)), position_(std::move(from)) {}

std::optional<std::string_view> MessageLogReader::buffered_line() {
    const auto end = buffer_.find('\n', searched_bytes_);
    if (end == std::string::npos) {
        if (buffer_.size() - used_bytes_ > log_line_max_bytes) drop_beginning_of_line();
        searched_bytes_ = buffer_.size();
        return std::nullopt;
    }
    const auto line = std::string_view(buffer_).substr(used_bytes_, end - used_bytes_);
    used_bytes_ = end + 1;
    searched_bytes_ = used_bytes_;
    position_.offset_bytes += line.size() + 1;
    return line;
}

/// Drops a line without an end. What comes until its newline is damaged too.
void MessageLogReader::drop_beginning_of_line() {
    position_.offset_bytes += buffer_.size() - used_bytes_;
    buffer_.clear();
    used_bytes_ = 0;
    lacks_beginning_ = true;
}

/// Fills the buffer. False if the file holds no more, up to the limit.
Result<bool> MessageLogReader::read_more(const LogPosition& limit) {
    if (position_.file.empty()) return false;
    buffer_.erase(0, used_bytes_);
    searched_bytes_ -= used_bytes_;
    used_bytes_ = 0;
    const std::uint64_t from = position_.offset_bytes + buffer_.size();
    const std::uint64_t to =
        position_.file == limit.file ? limit.offset_bytes : std::numeric_limits<std::uint64_t>::max();
    if (from >= to) return false;
    auto chunk = files_.read(directory_ / position_.file, from,
                             static_cast<std::size_t>(std::min<std::uint64_t>(read_bytes, to - from)));
    if (!chunk) {
        // The file may have been removed because it was old enough. Then the log goes on with the next file.
        const auto names = log_files(files_, directory_);
        if (names && !std::binary_search(names->begin(), names->end(), position_.file)) return false;
        return tl::unexpected<Error>(std::move(chunk.error()));
    }
    const bool has_more = !chunk->empty();
    if (buffer_.empty()) {
        buffer_ = std::move(*chunk);
    } else {
        buffer_ += *chunk;
    }
    return has_more;
}

/// Goes to the file after the current one. False if there is none up to the limit.
Result<bool> MessageLogReader::go_to_next_file(const LogPosition& limit) {
    if (position_.file >= limit.file) return false;
    const auto names = log_files(files_, directory_);
    if (!names) return tl::unexpected<Error>(names.error());
    const auto next = std::upper_bound(names->begin(), names->end(), position_.file);
    if (next == names->end() || *next > limit.file) return false;
    // There is a later file, so this one is finished. A last line without a newline will never get one.
    if (buffer_.size() > used_bytes_ || lacks_beginning_) ++damaged_lines_;
    lacks_beginning_ = false;
    position_ = {*next, 0};
    buffer_.clear();
    used_bytes_ = 0;
    searched_bytes_ = 0;
    return true;
}

Result<std::optional<LoggedEvent>> MessageLogReader::next(const LogPosition& limit) {
    while (position_ < limit) {
        if (const auto line = buffered_line()) {
            if (!std::exchange(lacks_beginning_, false)) {
                if (auto event = parse_line(*line); event && is_of_file(*event, position_.file))
                    return LoggedEvent{std::move(*event), position_};
            }
            ++damaged_lines_;
            continue;
        }
        auto more = read_more(limit);
        if (!more) return tl::unexpected<Error>(std::move(more.error()));
        if (*more) continue;
        auto changed = go_to_next_file(limit);
        if (!changed) return tl::unexpected<Error>(std::move(changed.error()));
        if (!*changed) break;
    }
    // The buffer of a flood is not kept for the quiet after it. Assigning an empty string would keep its
    // capacity.
    if (buffer_.size() == used_bytes_) {
        std::string().swap(buffer_);
        used_bytes_ = searched_bytes_ = 0;
    }
    return std::optional<LoggedEvent>{};
}

}  // namespace tickledger
