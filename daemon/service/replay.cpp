#include "service/replay.hpp"

#include <fmt/format.h>
#include <malloc.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <iostream>

#include "book/bookkeeper.hpp"
#include "engine/engine.hpp"
#include "engine/opened_store.hpp"
#include "store/ledger.hpp"
#include "store/recording.hpp"

namespace tickledger {

namespace {

namespace fs = std::filesystem;

// Large, because nobody waits for answers during a replay, and each batch writes a meter's whole account.
constexpr std::size_t events_a_batch = 100'000;
constexpr std::size_t mistakes_shown = 5;

/// Every batch allocates and frees the same large blocks. If they went back to the system in between, each of
/// their pages would cost a page fault in the next batch: a quarter of a replay's time for 10 000 meters.
void keep_freed_memory() {
    constexpr int kept_bytes = 1 << 30;
    ::mallopt(M_MMAP_THRESHOLD, kept_bytes);
    ::mallopt(M_TRIM_THRESHOLD, kept_bytes);
}

Result<std::vector<std::string>> files_of(const std::vector<std::string>& recordings) {
    std::vector<std::string> files;
    for (const std::string& recording : recordings) {
        std::error_code problem;
        if (recording == "-" || !fs::is_directory(recording, problem)) {
            files.push_back(recording);
            continue;
        }
        std::vector<std::string> inside;
        for (const auto& file : fs::directory_iterator(recording, problem)) {
            if (file.path().extension() == ".jsonl") inside.push_back(file.path().string());
        }
        if (inside.empty()) return fail(recording + ": there is no *.jsonl file in this directory");
        std::sort(inside.begin(), inside.end());
        files.insert(files.end(), inside.begin(), inside.end());
    }
    return files;
}

std::uintmax_t size_of(const std::vector<std::string>& files) {
    std::uintmax_t sum = 0;
    for (const std::string& file : files) {
        std::error_code problem;
        const auto size = fs::file_size(file, problem);
        if (!problem) sum += size;
    }
    return sum;
}

/// How far a ledger has come.
struct Booked {
    MessageCounts counts;
    std::int64_t ticks = 0;  ///< By which all its registers have advanced.
};

Result<Booked> booked_in(Ledger& ledger, const Bookkeeper& bookkeeper) {
    Booked booked{.counts = bookkeeper.counts()};
    const auto meters = ledger.meters();
    if (!meters) return tl::unexpected(meters.error());
    for (const MeterRecord& meter : *meters) {
        if (meter.state.empty()) continue;
        const auto memory = memory_from_record(meter.state);
        if (!memory) return tl::unexpected(memory.error());
        booked.ticks += memory->total_ticks;
    }
    return booked;
}

/// A progress bar on the terminal, redrawn when it has grown.
class Progress {
public:
    Progress(bool shown, std::uintmax_t total) : shown_(shown && total > 0), total_(total) {}
    ~Progress() {
        if (shown_) std::fputs("\r\033[K", stderr);
    }
    Progress(const Progress&) = delete;
    Progress& operator=(const Progress&) = delete;

    void advance(std::uintmax_t bytes) {
        done_ += bytes;
        if (!shown_) return;
        const auto percent = static_cast<unsigned>(std::min<std::uintmax_t>(done_ * 100 / total_, 100));
        if (percent == percent_) return;
        percent_ = percent;
        const unsigned full = percent / 4;
        std::fputs(fmt::format("\rbooking [{:#<{}}{: <{}}] {:3} %", "", full, "", 25 - full, percent).c_str(),
                   stderr);
    }

private:
    bool shown_;
    std::uintmax_t total_;
    std::uintmax_t done_ = 0;
    unsigned percent_ = 101;
};

/// The events of recordings, one file after the other.
class RecordingSource final : public EventSource {
public:
    /// `place`: the daemon's position in its own log, which a replay must not move.
    RecordingSource(std::vector<std::string> files, std::optional<Instant> until, LogPosition place,
                    bool shows_progress)
        : files_(std::move(files)),
          until_(until),
          place_(std::move(place)),
          progress_(shows_progress, size_of(files_)) {}

    void look(Instant /*now*/) override {}
    [[nodiscard]] Result<std::optional<LoggedEvent>> next() override;
    [[nodiscard]] std::optional<Instant> reached() const override { return until_ ? until_ : last_event_at_; }
    [[nodiscard]] bool has_ended() const override { return next_file_ == files_.size() && !input_; }
    [[nodiscard]] Result<void> remove_before(Instant, const LogPosition&) override { return {}; }

    /// True if a recording could not be opened or read. That is not a failure of the store.
    [[nodiscard]] bool is_refused() const { return is_refused_; }
    [[nodiscard]] std::string outcome(const CivilZone& zone, const Booked& before, const Booked& after) const;

private:
    [[nodiscard]] Result<bool> open_next();
    [[nodiscard]] std::optional<Event> event_of(const std::string& line);

    const std::vector<std::string> files_;
    const std::optional<Instant> until_;
    const LogPosition place_;
    Progress progress_;
    std::size_t next_file_ = 0;
    std::ifstream stream_;
    std::istream* input_ = nullptr;  ///< Reads the file before `next_file_`; null once that is read.
    std::string line_;
    std::uint64_t line_number_ = 0;
    bool is_refused_ = false;
    std::optional<Instant> last_event_at_;
    std::uint64_t lines_ = 0;
    std::uint64_t bad_lines_ = 0;
    std::vector<std::string> mistakes_;
};

Result<std::optional<LoggedEvent>> RecordingSource::next() {
    for (;;) {
        if (!input_) {
            const auto opened = open_next();
            if (!opened) return tl::unexpected(opened.error());
            if (!*opened) return std::nullopt;
        }
        while (std::getline(*input_, line_)) {
            ++line_number_;
            if (auto event = event_of(line_)) return LoggedEvent{std::move(*event), place_};
        }
        // The standard input reports a failure only to C's stream.
        is_refused_ = input_->bad() || (input_ == &std::cin && std::ferror(stdin) != 0);
        if (is_refused_) {
            return fail(
                fmt::format("{}: the recording cannot be read beyond line {}, so the rest is not "
                            "booked. Check the disk or the pipe, and replay it again.",
                            files_[next_file_ - 1], line_number_));
        }
        input_ = nullptr;
    }
}

/// False: there are no more files.
Result<bool> RecordingSource::open_next() {
    if (next_file_ == files_.size()) return false;
    const std::string& file = files_[next_file_];
    if (file == "-") {
        input_ = &std::cin;
    } else {
        stream_ = std::ifstream(file);
        is_refused_ = !stream_;
        if (is_refused_) return fail(file + ": the recording cannot be opened; is the path right?");
        input_ = &stream_;
    }
    line_number_ = 0;
    ++next_file_;
    return true;
}

/// Empty if the line has no event to book.
std::optional<Event> RecordingSource::event_of(const std::string& line) {
    progress_.advance(line.size() + 1);
    if (line.empty()) return std::nullopt;
    ++lines_;
    auto event = parse_line(line);
    if (!event) {
        ++bad_lines_;
        if (mistakes_.size() < mistakes_shown)
            mistakes_.push_back(
                fmt::format("{}:{}: {}", files_[next_file_ - 1], line_number_, event.error().text));
        return std::nullopt;
    }
    const Instant at = time_of(*event);
    if (until_ && at > *until_) return std::nullopt;
    last_event_at_ = std::max(at, last_event_at_.value_or(at));
    return std::move(*event);
}

std::string RecordingSource::outcome(const CivilZone& zone, const Booked& before, const Booked& after) const {
    std::string text = fmt::format("{} lines read", lines_);
    if (last_event_at_) text += fmt::format(", the last of {}", zone.format(*last_event_at_));
    const auto more = [&](std::uint64_t MessageCounts::*count) {
        return after.counts.*count - before.counts.*count;
    };
    text += fmt::format(
        ".\n{} ticks booked from {} messages. Refused: {} unreadable, {} strays, {} that came too late, {} of "
        "no configured meter.\n",
        after.ticks - before.ticks, more(&MessageCounts::booked), more(&MessageCounts::unreadable),
        more(&MessageCounts::stray), more(&MessageCounts::late_refused), more(&MessageCounts::without_meter));
    const auto refused = more(&MessageCounts::unreadable) + more(&MessageCounts::stray) +
                         more(&MessageCounts::late_refused) + more(&MessageCounts::without_meter);
    if (after.ticks == before.ticks && more(&MessageCounts::booked) > refused)
        text += "No tick was booked: the ledger had these messages already, or no count rose in them.\n";
    if (!last_event_at_ && lines_ > bad_lines_ && until_)
        text += fmt::format("Nothing was booked, because all lines are later than {} (--until).\n",
                            zone.format(*until_));
    if (bad_lines_ > 0) {
        text += bad_lines_ == 1
                    ? "1 line is not of a recording and was passed over:\n"
                    : fmt::format("{} lines are not of a recording and were passed over:\n", bad_lines_);
        for (const std::string& mistake : mistakes_)
            text += "  " + mistake + "\n";
        if (bad_lines_ > mistakes_.size()) text += "  ...\n";
    }
    return text;
}

}  // namespace

tl::expected<void, StartFailure> replay(const Configuration& configuration, const ReplayRequest& request) {
    const auto zone = CivilZone::find(configuration.timezone);
    if (!zone) return start_failure(exit_status::configuration, zone.error().text);
    auto files = files_of(request.recordings);
    if (!files) return start_failure(exit_status::refused, files.error().text);
    keep_freed_memory();
    const fs::path into = request.into.empty() ? configuration.store.directory / ledger_name : request.into;
    std::error_code problem;
    if (into.has_parent_path()) fs::create_directories(into.parent_path(), problem);
    auto ledger = Ledger::open(into);
    if (!ledger) {
        const int status =
            ledger.error().held_by_another ? exit_status::store_held : exit_status::store_unusable;
        return start_failure(status, ledger.error().text);
    }
    const auto unusable = [](const std::string& text) {
        return start_failure(exit_status::store_unusable, text);
    };
    const auto place = (*ledger)->log_position();
    if (!place) return unusable(place.error().text);
    Bookkeeper bookkeeper(configuration.meters, *zone, **ledger, Publishing::last_state,
                          static_cast<std::size_t>(configuration.max_meters));
    if (const auto loaded = bookkeeper.load(); !loaded) return unusable(loaded.error().text);

    const auto before = booked_in(**ledger, bookkeeper);
    if (!before) return unusable(before.error().text);
    RecordingSource source(std::move(*files), request.until, *place, request.shows_progress);
    std::string trouble;
    Engine engine(**ledger, bookkeeper, source, *place,
                  {.events_a_batch = events_a_batch,
                   .pack_after = configuration.store.pack_after,
                   .packing_every = Duration{0},
                   .retention = std::nullopt,
                   .give_back_every = 0},
                  [&](Level, const std::string& text) { trouble = text; });
    for (auto step = Engine::Step::more; step == Engine::Step::more;) {
        step = engine.step(Instant::max());
        if (step == Engine::Step::failed) trouble = engine.trouble();
        if (!trouble.empty())
            return start_failure(source.is_refused() ? exit_status::refused : exit_status::store_unusable,
                                 trouble);
    }
    // No further messages will come to confirm observations that are held.
    if (!request.until) {
        if (const auto done = bookkeeper.end_recording(); !done) return unusable(done.error().text);
    }
    if (const auto done = bookkeeper.publish_last_state(); !done) return unusable(done.error().text);
    const auto after = booked_in(**ledger, bookkeeper);
    if (!after) return unusable(after.error().text);
    std::fputs(source.outcome(*zone, *before, *after).c_str(), stdout);
    return {};
}

}  // namespace tickledger
