#include "service/replay.hpp"
#include "service/opened_store.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <iostream>

#include "book/bookkeeper.hpp"
#include "store/ledger.hpp"
#include "store/recording.hpp"

namespace tickledger {

namespace {

namespace fs = std::filesystem;

// Nobody waits for the answers meanwhile, and what is written once a batch is a meter's whole memory.
constexpr std::size_t events_a_batch = 100'000;
// Less will do where they are of a day or more: what is not yet packed must not become many days.
constexpr std::size_t events_of_a_day = 2'000;
constexpr Duration packed_at_once = std::chrono::hours{24};
constexpr std::size_t mistakes_shown = 5;

tl::unexpected<StartFailure> failure(int status, std::string text) {
    return tl::unexpected(StartFailure{status, std::move(text)});
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

/// A bar on the terminal, redrawn when it has grown.
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

class Replay {
public:
    Replay(const Configuration& configuration, const ReplayOrder& order, CivilZone zone, Ledger& ledger)
        : order_(order),
          zone_(std::move(zone)),
          ledger_(ledger),
          pack_after_(configuration.store.pack_after),
          bookkeeper_(configuration.meters, zone_, ledger, Publishing::last_state,
                      static_cast<std::size_t>(configuration.max_meters)) {}

    [[nodiscard]] tl::expected<void, StartFailure> run(const std::vector<std::string>& files);

private:
    [[nodiscard]] Result<void> read(std::istream& input, const std::string& name, Progress& progress);
    [[nodiscard]] Result<void> book(std::optional<Instant> until);
    [[nodiscard]] bool is_batch() const;
    [[nodiscard]] Result<void> pack();
    void print_outcome() const;

    const ReplayOrder& order_;
    CivilZone zone_;
    Ledger& ledger_;
    Duration pack_after_;
    Bookkeeper bookkeeper_;
    BacklogDetector detector_;
    LogPosition position_;  ///< The daemon's own place in its log: not ours to move.
    std::optional<Instant> last_event_at_;
    Instant batch_from_{};  ///< The last event that was booked.
    std::uint64_t lines_ = 0;
    std::uint64_t bad_lines_ = 0;
    std::vector<std::string> mistakes_;
};

tl::expected<void, StartFailure> Replay::run(const std::vector<std::string>& files) {
    const auto give_up = [](const Result<void>& result) {
        return failure(exit_status::store_unusable, result.error().text);
    };
    const auto position = ledger_.log_position();
    if (!position) return failure(exit_status::store_unusable, position.error().text);
    position_ = *position;
    if (const auto loaded = bookkeeper_.load(); !loaded) return give_up(loaded);

    Progress progress(order_.shows_progress, size_of(files));
    for (const std::string& file : files) {
        std::ifstream stream;
        if (file != "-") {
            stream.open(file);
            if (!stream)
                return failure(exit_status::refused,
                               file + ": the recording can not be opened; is the path right?");
        }
        if (const auto done = read(file == "-" ? std::cin : stream, file, progress); !done)
            return give_up(done);
    }
    detector_.finish();
    const auto until = order_.until ? order_.until : last_event_at_;
    if (const auto done = book(until); !done) return give_up(done);
    if (const auto done = bookkeeper_.publish_last_state(); !done) return give_up(done);
    print_outcome();
    return {};
}

Result<void> Replay::read(std::istream& input, const std::string& name, Progress& progress) {
    std::string line;
    for (std::uint64_t number = 1; std::getline(input, line); ++number) {
        progress.advance(line.size() + 1);
        if (line.empty()) continue;
        ++lines_;
        auto event = parse_line(line);
        if (!event) {
            ++bad_lines_;
            if (mistakes_.size() < mistakes_shown) {
                mistakes_.push_back(fmt::format("{}:{}: {}", name, number, event.error().text));
            }
            continue;
        }
        if (order_.until && time_of(*event) > *order_.until) continue;
        last_event_at_ = std::max(time_of(*event), last_event_at_.value_or(time_of(*event)));
        detector_.add(std::move(*event), position_);
        if (is_batch()) {
            if (const auto booked = book({}); !booked) return booked;
        }
    }
    return {};
}

bool Replay::is_batch() const {
    const std::size_t count = detector_.ready_count();
    return count >= events_a_batch ||
           (count >= events_of_a_day && *last_event_at_ - batch_from_ >= packed_at_once);
}

Result<void> Replay::book(std::optional<Instant> until) {
    const BacklogDetector::Ready ready = detector_.take();
    const auto booked = bookkeeper_.book(
        {.deliveries = ready.deliveries, .next = position_, .until = until, .published = {}});
    if (last_event_at_) batch_from_ = *last_event_at_;
    return booked ? pack() : booked;
}

/// As it goes along: else the file grows to its full size first, and stays as large.
Result<void> Replay::pack() {
    if (!last_event_at_) return {};
    for (bool packed = true; packed;) {
        const auto done = bookkeeper_.pack_oldest_day(*last_event_at_ - pack_after_);
        if (!done) return tl::unexpected(done.error());
        packed = *done;
    }
    return {};
}

void Replay::print_outcome() const {
    const MessageCounts& counts = bookkeeper_.counts();
    std::string text = fmt::format("{} lines read", lines_);
    if (last_event_at_) text += fmt::format(", the last of {}", zone_.format(*last_event_at_));
    text += fmt::format(
        ".\nThe ledger has looked at {} messages since it began: {} unreadable, {} strays, {} refused "
        "because they "
        "came too late, {} of no configured meter.\n",
        counts.booked, counts.unreadable, counts.stray, counts.late_refused, counts.without_meter);
    if (bad_lines_ > 0) {
        text += fmt::format("{} lines are not of a recording and were passed over:\n", bad_lines_);
        for (const std::string& mistake : mistakes_)
            text += "  " + mistake + "\n";
        if (bad_lines_ > mistakes_.size()) text += "  ...\n";
    }
    std::fputs(text.c_str(), stdout);
}

}  // namespace

tl::expected<void, StartFailure> replay(const Configuration& configuration, const ReplayOrder& order) {
    const auto zone = CivilZone::find(configuration.timezone);
    if (!zone) return failure(exit_status::configuration, zone.error().text);
    const auto files = files_of(order.recordings);
    if (!files) return failure(exit_status::refused, files.error().text);
    const fs::path into = order.into.empty() ? configuration.store.directory / ledger_name : order.into;
    std::error_code problem;
    if (into.has_parent_path()) fs::create_directories(into.parent_path(), problem);
    auto ledger = Ledger::open(into);
    if (!ledger) {
        const int status =
            ledger.error().held_by_another ? exit_status::store_held : exit_status::store_unusable;
        return failure(status, ledger.error().text);
    }
    return Replay(configuration, order, *zone, **ledger).run(*files);
}

}  // namespace tickledger
