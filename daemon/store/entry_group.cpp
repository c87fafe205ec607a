#include "store/entry_group.hpp"

#include "core/varint.hpp"
#include "store/block_numbers.hpp"
#include "store/utc_days.hpp"

namespace tickledger {
namespace {

// A table without row numbers keeps 231 bytes of a row in a page of 1 KiB. The rest would take a page of its
// own.
constexpr std::size_t full_bytes = 170;

// Flags for what differs from the expected value. The values follow in this order. `is_placed` has no value.
constexpr std::uint8_t begins_elsewhere = 1;
constexpr std::uint8_t is_placed = 2;
constexpr std::uint8_t has_unseen_max = 4;
constexpr std::uint8_t other_begin_count = 8;
constexpr std::uint8_t other_end_count = 16;
constexpr std::uint8_t other_boot = 32;
constexpr std::uint8_t other_seq = 64;

// Times and counts may be anywhere, so their differences wrap.
std::uint64_t length_of(const Entry& entry) {
    return number_of(entry.span.to) - number_of(entry.span.from);
}
bool has_length(const Entry& entry) {
    return entry.span.from < entry.span.to && length_of(entry) <= span_max_us;
}

/// Turns a difference mod 2^64 into a number that is small if the difference is near 0 on either side, and
/// back.
std::uint64_t folded(std::uint64_t difference) {
    return zigzag(static_cast<std::int64_t>(difference));
}
std::uint64_t unfolded(std::uint64_t number) {
    return static_cast<std::uint64_t>(unzigzag(number));
}

/// The first entry of a group is encoded as if it followed this one, at the beginning of the day on which it
/// ends.
Entry before_first(Instant to) {
    Entry before;
    before.span = {start_of_day(day_of(to)), start_of_day(day_of(to))};
    return before;
}

/// Reads numbers from bytes that may be anything.
class Numbers {
public:
    explicit Numbers(std::string_view bytes) : bytes_(bytes) {}
    [[nodiscard]] bool is_at_end() const { return bytes_.empty(); }
    [[nodiscard]] bool failed() const { return failed_; }

    std::uint64_t next() {
        const auto number = take_varint(bytes_);
        failed_ |= !number;
        return number.value_or(0);
    }

private:
    std::string_view bytes_;
    bool failed_ = false;
};

Entry next_entry(Numbers& numbers, const Entry& before) {
    const std::uint64_t flags = numbers.next();
    const std::uint64_t length = length_of(before) + unfolded(numbers.next());
    const std::uint64_t ticks = unfolded(numbers.next());
    const auto told = [&](std::uint8_t flag) { return (flags & flag) != 0 ? numbers.next() : 0; };
    const std::uint64_t from = number_of(before.span.to) + unfolded(told(begins_elsewhere));
    Entry entry;
    entry.span = {instant_of(static_cast<std::int64_t>(from)),
                  instant_of(static_cast<std::int64_t>(from + length))};
    entry.ticks = static_cast<std::int64_t>(ticks);
    entry.time_estimated = (flags & is_placed) != 0;
    if (const std::uint64_t most = told(has_unseen_max); (flags & has_unseen_max) != 0)
        entry.unseen_max = most;
    const std::uint64_t begin_count = unfolded(told(other_begin_count));
    entry.end.count = before.end.count + ticks + unfolded(told(other_end_count));
    entry.begin_count = entry.end.count - ticks + begin_count;
    entry.end.boot = (flags & other_boot) != 0 ? numbers.next() : before.end.boot;
    entry.end.seq = before.end.seq + 1 + unfolded(told(other_seq));
    return entry;
}

}  // namespace

bool EntryGroup::suits(const Entry& entry) {
    return entry.kind == EntryKind::measured && has_length(entry);
}

bool EntryGroup::takes(const Entry& entry) const {
    return size_ == 0 || (entry.span.from >= last_.span.to && day_of(entry.span.to) == day_of(last_.span.to));
}

bool EntryGroup::is_full() const {
    return block_.size() >= full_bytes;
}

void EntryGroup::add(const Entry& entry) {
    const Entry before = size_ == 0 ? before_first(entry.span.to) : last_;
    const auto ticks = static_cast<std::uint64_t>(entry.ticks);
    const std::uint64_t gap = number_of(entry.span.from) - number_of(before.span.to);
    const std::uint64_t begin_count = entry.begin_count - (entry.end.count - ticks);
    const std::uint64_t end_count = entry.end.count - before.end.count - ticks;
    const std::uint64_t seq = entry.end.seq - before.end.seq - 1;
    std::uint8_t flags = 0;
    if (gap != 0) flags |= begins_elsewhere;
    if (entry.time_estimated) flags |= is_placed;
    if (entry.unseen_max) flags |= has_unseen_max;
    if (begin_count != 0) flags |= other_begin_count;
    if (end_count != 0) flags |= other_end_count;
    if (entry.end.boot != before.end.boot) flags |= other_boot;
    if (seq != 0) flags |= other_seq;

    append_varint(block_, flags);
    append_varint(block_, folded(length_of(entry) - length_of(before)));
    append_varint(block_, folded(ticks));
    if (gap != 0) append_varint(block_, folded(gap));
    if (entry.unseen_max) append_varint(block_, *entry.unseen_max);
    if (begin_count != 0) append_varint(block_, folded(begin_count));
    if (end_count != 0) append_varint(block_, folded(end_count));
    if (entry.end.boot != before.end.boot) append_varint(block_, entry.end.boot);
    if (seq != 0) append_varint(block_, folded(seq));
    last_ = entry;
    ++size_;
}

Result<std::vector<NumberedEntry>> entries_of_group(std::string_view block, Instant to) {
    if (block.empty()) return fail("it is empty");
    Numbers numbers(block);
    std::vector<NumberedEntry> entries;
    Entry before = before_first(to);
    const std::int64_t day = day_of(to);
    while (!numbers.is_at_end()) {
        const Entry entry = next_entry(numbers, before);
        if (numbers.failed()) return fail("it ends within an entry");
        // Later code calculates with these times and searches them, so they must be in order.
        const bool is_in_place = has_length(entry) && day_of(entry.span.to) == day &&
                                 (entries.empty() || entry.span.from >= before.span.to);
        if (!is_in_place) return fail("an entry is out of place");
        entries.push_back({entry, 0});
        before = entry;
    }
    if (before.span.to != to) return fail("its end differs from the time in its row");
    return entries;
}

}  // namespace tickledger
