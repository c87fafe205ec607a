// A message log directory with any content, and a clock. The first line gives the time on the server's clock
// and the time since its boot, in seconds. A line "== NAME" begins a file. The log is read as at a start,
// dated and appended to.
#include <charconv>

#include "book/backlog_detector.hpp"
#include "engine/intake.hpp"
#include "fuzz/fuzz.hpp"
#include "store/log_names.hpp"
#include "support/sim_files.hpp"

namespace {

using namespace tickledger;
using fuzz::must;

constexpr const char* directory = "/messages";

class FuzzedClock final : public Clock {
public:
    [[nodiscard]] Instant wall() const override { return wall_time; }
    [[nodiscard]] Duration since_boot() const override { return running; }
    [[nodiscard]] bool is_synchronised() const override { return synchronised; }

    Instant wall_time{};
    Duration running{};
    bool synchronised = false;
};

std::int64_t take_number(std::string_view& text, std::int64_t most) {
    std::int64_t number = 0;
    const auto read = std::from_chars(text.data(), text.data() + text.size(), number);
    text.remove_prefix(static_cast<std::size_t>(read.ptr - text.data()));
    if (!text.empty()) text.remove_prefix(1);
    return std::clamp<std::int64_t>(number, 0, most);
}

void put_files(test::SimFiles& files, std::string_view text) {
    std::string name = "2026-03-01.jsonl";
    std::string content;
    const auto finish = [&] {
        if (day_of_log_file(name) && !content.empty())
            files.put(std::filesystem::path(directory) / name, content);
        content.clear();
    };
    while (!text.empty()) {
        const std::size_t size = text.size();
        const std::string_view line = fuzz::take_line(text);
        if (line.starts_with("== ")) {
            finish();
            name = line.substr(3);
        } else {
            content += line;
            // The last line may be torn.
            if (line.size() < size) content += '\n';
        }
    }
    finish();
}

/// Reads the whole log and passes the events to the detector.
std::size_t read_all(Files& files, const LogPosition& end, BacklogDetector& detector) {
    MessageLogReader reader(files, directory, {});
    std::size_t events = 0;
    while (true) {
        auto next = reader.next(end);
        must(next.has_value(), "reading a log does not fail");
        if (!*next) break;
        ++events;
        must(log_file_name(time_of((*next)->event)) == reader.position().file,
             "an event's time is within its file's day");
        detector.add(std::move((*next)->event), (*next)->next);
    }
    must(!(reader.position() < end) || end.file.empty(), "a log is read to its end");
    return events;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    std::string_view text = fuzz::text_of(data, size);
    std::string_view head = fuzz::take_line(text);
    FuzzedClock clock;
    // Up to the year 9999.
    clock.wall_time = Instant{} + std::chrono::seconds{take_number(head, 253'402'300'799)};
    clock.running = std::chrono::seconds{take_number(head, 3'000'000'000)};
    clock.synchronised = !head.empty() && head.front() == 's';

    test::SimFiles files;
    must(files.make_directory(directory).has_value(), "the directory can be created");
    put_files(files, text);
    auto log = MessageLog::open(files, directory).value();
    const auto last = log->last_stamp();
    const LogPosition end = log->end();
    BacklogDetector detector;
    const std::size_t events = read_all(files, end, detector);
    detector.finish();
    for (const Delivery& delivery : detector.take().deliveries) {
        const Instant at = time_of(delivery.event);
        must(last && at < *last + std::chrono::hours{24}, "nothing is dated after the log's last day");
    }

    Intake intake({.log = log.get(),
                   .clock = &clock,
                   .meters = std::make_shared<const std::vector<MeterSettings>>(),
                   .clock_floor = last.value_or(Instant{}),
                   .clock_reach = std::chrono::hours{24 * 7},
                   .has_undated = detector.undated_count() > 0,
                   .on_appended = [] { return true; },
                   .tell = [](Level, const std::string& sentence) { fuzz::must_be_a_sentence(sentence); }});
    must(intake.accept(Message{{}, "nodes/house", "{}", 1, false, false}),
         "a message is accepted under any clock");
    must(log->last_stamp().has_value() && (!last || *log->last_stamp() >= *last), "stamps never go back");
    BacklogDetector again;
    must(read_all(files, log->end(), again) >= events + 1, "an accepted message is read back");
    const bool is_known = intake.known_time().has_value();
    const bool is_vouched = intake.clock_is_right().has_value();
    must(!is_vouched || intake.known_time() == clock.wall_time, "a time confirmed by a person is used");
    must(is_known || is_vouched || clock.wall_time < std::chrono::sys_days{std::chrono::year{2025} / 1 / 1},
         "a person can confirm any possible time");
    return 0;
}
