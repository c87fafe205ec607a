#include "store/redating.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <nlohmann/json.hpp>
#include <system_error>
#include <utility>

#include "store/log_names.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

/// How closely a leap of the stamps must match the amount by which they turned out to be ahead. Allows for
/// drift, and for the time between the clock becoming right and the line that says so.
constexpr Duration tolerance = std::chrono::minutes{2};
constexpr std::size_t copied_at_once_bytes = 1024 * 1024;

/// The members of an instruction that give a moment.
constexpr std::array moments_of_instructions{"time", "from", "to", "raised_at"};

/// Where the stamps leapt, and from what to what.
struct Leap {
    LogPosition at;
    Instant before{};
    Instant after{};
};

/// Calls `each(event, at)` for each event in the log from `from` up to `end`. `at` is the place before it.
template <typename Each>
Result<void> read_log(Files& files, const std::filesystem::path& directory, const LogPosition& from,
                      const LogPosition& end, Each each) {
    MessageLogReader reader(files, directory, from);
    for (LogPosition at = from;;) {
        auto next = reader.next(end);
        if (!next) return tl::unexpected(std::move(next.error()));
        if (!*next) return {};
        if (auto done = each(std::move((*next)->event), at); !done) return done;
        at = (*next)->next;
    }
}

/// The leap that is as long as the stamps were ahead.
Result<Leap> leap_by(const std::vector<Leap>& leaps, Duration ahead, Instant known_at) {
    std::vector<Leap> found;
    for (const Leap& leap : leaps)
        if (leap.after <= known_at && leap.after - leap.before >= ahead - tolerance) found.push_back(leap);
    if (found.size() == 1) return found.front();
    if (found.empty()) {
        return fail(fmt::format(
            "The stamps were ahead by {}, but the message log shows no leap of that length: it may not "
            "reach back far enough. Give the first stamp that was ahead with --since.",
            in_words(ahead)));
    }
    std::string text = fmt::format(
        "The stamps were ahead by {}, and the message log shows more than one leap of that length. Give "
        "the first stamp that was ahead with --since, one of:",
        in_words(ahead));
    for (const Leap& leap : found)
        text += fmt::format("\n  {}  after {}", format_utc(leap.after), format_utc(leap.before));
    return fail(std::move(text));
}

/// Copies the beginning of the log, up to `end`, byte for byte.
Result<void> copy_beginning(Files& files, const std::filesystem::path& from, const LogPosition& end,
                            const std::filesystem::path& to) {
    const auto names = log_files(files, from);
    if (!names) return tl::unexpected(names.error());
    for (const std::string& name : *names) {
        if (name > end.file) break;
        auto size = files.size_bytes(from / name);
        if (!size) return tl::unexpected(std::move(size.error()));
        const std::uint64_t size_bytes = name == end.file ? std::min(*size, end.offset_bytes) : *size;
        auto copy = files.open_append(to / name);
        if (!copy) return tl::unexpected(std::move(copy.error()));
        for (std::uint64_t done_bytes = 0; done_bytes < size_bytes;) {
            auto chunk = files.read(from / name, done_bytes,
                                    static_cast<std::size_t>(std::min<std::uint64_t>(
                                        copied_at_once_bytes, size_bytes - done_bytes)));
            if (!chunk) return tl::unexpected(std::move(chunk.error()));
            if (chunk->empty())
                return fail("Cannot read " + (from / name).string() + ": it became shorter meanwhile.");
            done_bytes += chunk->size();
            if (auto appended = (*copy)->append(*chunk); !appended) return appended;
        }
        if (auto synced = (*copy)->sync(); !synced) return synced;
    }
    return {};
}

}  // namespace

Result<Redating> Redating::of_log(Files& files, const std::filesystem::path& directory,
                                  const LogPosition& end, std::optional<Instant> since) {
    Redating redating;
    std::vector<Leap> leaps;
    std::optional<Leap> begin;
    std::optional<Instant> last;
    auto read =
        read_log(files, directory, {}, end, [&](const Event& event, const LogPosition& at) -> Result<void> {
            const Instant stamp = tickledger::time_of(event);
            const Leap leap{at, last.value_or(stamp), stamp};
            if (since && !begin && stamp >= *since) begin = leap;
            // Shorter ones are pauses between messages.
            if (stamp - leap.before > tolerance) leaps.push_back(leap);
            last = stamp;
            const auto* set = std::get_if<ClockSet>(&event);
            if (set && set->time && (!since || stamp >= *since))
                redating.known_.push_back({stamp, *set->time});
            return {};
        });
    if (!read) return tl::unexpected(std::move(read.error()));
    if (redating.known_.empty()) {
        return fail(
            since ? "The message log does not show that stamps after that time were ahead of the true time."
                  : "The message log does not show that stamps were ahead of the true time: there is "
                    "nothing to correct.");
    }
    if (!begin) {
        auto leap = leap_by(leaps, redating.ahead(), redating.right_at());
        if (!leap) return tl::unexpected(std::move(leap.error()));
        begin = std::move(*leap);
    }
    redating.first_ = begin->at;
    redating.since_ = begin->after;
    if (redating.time_of(begin->after) < begin->before - tolerance && begin->after > begin->before) {
        return fail(fmt::format(
            "Had the stamps been ahead since {}, the first of them would have come at {}, which is "
            "before the stamp that precedes it, {}. Give a later --since.",
            format_utc(begin->after), format_utc(redating.time_of(begin->after)), format_utc(begin->before)));
    }
    return redating;
}

Instant Redating::time_of(Instant stamp) const {
    const auto later = std::upper_bound(known_.begin(), known_.end(), stamp,
                                        [](Instant at, const Known& known) { return at < known.stamp; });
    if (later == known_.begin()) return stamp - ahead();
    const Known& known = *std::prev(later);
    // Of every sixteen microseconds fifteen were stamped, until the time had caught up.
    const Duration stamped = stamp - known.stamp;
    return std::min(stamp, known.time + stamped + stamped / 15);
}

Event Redating::redated(Event event) const {
    Instant& stamp = stamp_of(event);
    stamp = time_of(stamp);
    if (auto* set = std::get_if<ClockSet>(&event); set && set->time && stamp - *set->time <= tolerance)
        set->time.reset();
    auto* instruction = std::get_if<Instruction>(&event);
    if (!instruction) return event;
    auto document = nlohmann::ordered_json::parse(instruction->document, nullptr, false);
    if (!document.is_object()) return event;
    for (const char* name : moments_of_instructions) {
        const auto found = document.find(name);
        if (found == document.end() || !found->is_string()) continue;
        const auto moment = parse_rfc3339(found->get_ref<const std::string&>());
        if (moment && *moment >= since_) *found = format_utc(time_of(*moment));
    }
    instruction->document = document.dump();
    return event;
}

Result<std::uint64_t> Redating::write(Files& files, const std::filesystem::path& from, const LogPosition& end,
                                      const std::filesystem::path& to) const {
    if (auto made = files.make_directory(to); !made) return tl::unexpected(std::move(made.error()));
    if (auto copied = copy_beginning(files, from, first_, to); !copied)
        return tl::unexpected(std::move(copied.error()));
    auto log = MessageLog::open(files, to);
    if (!log) return tl::unexpected(std::move(log.error()));
    std::uint64_t changed = 0;
    auto written = read_log(files, from, first_, end, [&](Event event, const LogPosition&) -> Result<void> {
        const Instant before = tickledger::time_of(event);
        Event mended = redated(std::move(event));
        const Instant at = tickledger::time_of(mended);
        changed += at != before ? 1 : 0;
        auto appended = (*log)->append(std::move(mended), at);
        if (!appended) return tl::unexpected(std::move(appended.error()));
        return {};
    });
    if (written) written = (*log)->sync();
    if (!written) return tl::unexpected(std::move(written.error()));
    return changed;
}

}  // namespace tickledger
