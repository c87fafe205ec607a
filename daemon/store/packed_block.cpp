// This file is long, because what writes a block and what reads it must match and are compared here.
#include "store/packed_block.hpp"

#include <fmt/format.h>
#include <simdjson.h>
#include <zlib.h>

#include <algorithm>
#include <optional>

#include "core/json_writer.hpp"
#include "store/block_numbers.hpp"

namespace tickledger {
namespace {

constexpr std::int64_t format_version = 1;
constexpr std::size_t kept_text_max_bytes = std::size_t{1} << 20;
/// A block of packed_block_max entries and rows is smaller than this, even with numbers of the greatest
/// length.
constexpr std::size_t text_max_bytes = std::size_t{128} << 20;

/// Written as a signed number, as SQLite does.
using Number = std::uint64_t;
using Column = std::vector<std::optional<Number>>;

std::string text_of(const std::optional<Number>& number) {
    return number ? fmt::format_int(static_cast<std::int64_t>(*number)).str() : "null";
}

/// The median difference between neighbours; 0 if there are no two.
Number usual_step(const std::vector<Number>& times) {
    std::vector<Number> steps;
    for (std::size_t at = 1; at < times.size(); ++at)
        steps.push_back(times[at] - times[at - 1]);
    if (steps.empty()) return 0;
    const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
    std::nth_element(steps.begin(), middle, steps.end());
    return *middle;
}

/// Omits the column if every number is the usual one. Writes one number if all are the same, otherwise an
/// array.
void add_column(JsonObject& object, std::string_view name, const Column& column,
                std::optional<Number> usual = 0) {
    const auto all_are = [&](const std::optional<Number>& number) {
        return std::all_of(column.begin(), column.end(), [&](const auto& each) { return each == number; });
    };
    if (all_are(usual)) return;
    if (all_are(column.front())) {
        object.raw(name, text_of(column.front()));
        return;
    }
    std::string array = "[";
    for (const auto& number : column) {
        if (array.size() > 1) array += ',';
        array += text_of(number);
    }
    object.raw(name, array + ']');
}

void add_number(JsonObject& object, std::string_view name, Number number) {
    object.whole(name, static_cast<std::int64_t>(number));
}

/// A column in which `value` gives the number at each index.
template <typename Value>
Column column_of(std::size_t size, const Value& value) {
    Column column(size);
    for (std::size_t at = 0; at < size; ++at)
        column[at] = value(at);
    return column;
}

std::string text_of_entries(const std::vector<NumberedEntry>& entries, UtcDays days) {
    const std::size_t size = entries.size();
    const auto entry = [&](std::size_t at) -> const Entry& { return entries[at].entry; };
    const auto ticks = [&](std::size_t at) { return static_cast<Number>(entry(at).ticks); };
    std::vector<Number> ends;
    for (const auto& each : entries)
        ends.push_back(number_of(each.entry.span.to));
    const Number every = usual_step(ends);

    // An entry before the first one, made up so that the first differs from it as the second differs from the
    // first.
    const Number from = number_of(entry(0).span.from);
    const Number count = entry(0).end.count - ticks(0);
    const Number boot = entry(0).end.boot;
    const Number seq = entry(0).end.seq - (size > 1 ? entry(1).end.seq - entry(0).end.seq : Number{1});
    const auto end_before = [&](std::size_t at) { return at == 0 ? from : ends[at - 1]; };
    const auto mark_before = [&](std::size_t at) {
        return at == 0 ? Mark{count, boot, seq} : entry(at - 1).end;
    };

    JsonObject object;
    object.whole("size", static_cast<std::int64_t>(size));
    JsonArray before;
    for (const Number number : {from - number_of(start_of_day(days.first)), count, boot, seq})
        before.add(text_of(number));
    object.raw("before", std::move(before).finish());
    add_number(object, "every", every);
    add_column(object, "to_us",
               column_of(size, [&](std::size_t at) { return ends[at] - end_before(at) - every; }));
    add_column(object, "from_us", column_of(size, [&](std::size_t at) {
                   return number_of(entry(at).span.from) - end_before(at);
               }));
    add_column(object, "n",
               column_of(size, [&](std::size_t at) { return static_cast<Number>(entries[at].n); }));
    add_column(object, "ticks", column_of(size, ticks));
    add_column(object, "placed",
               column_of(size, [&](std::size_t at) { return Number{entry(at).time_estimated}; }));
    add_column(object, "unseen_max", column_of(size, [&](std::size_t at) { return entry(at).unseen_max; }),
               std::nullopt);
    add_column(object, "begin_count", column_of(size, [&](std::size_t at) {
                   return entry(at).begin_count - (entry(at).end.count - ticks(at));
               }));
    add_column(object, "end_count", column_of(size, [&](std::size_t at) {
                   return entry(at).end.count - mark_before(at).count - ticks(at);
               }));
    add_column(object, "end_boot",
               column_of(size, [&](std::size_t at) { return entry(at).end.boot - mark_before(at).boot; }));
    add_column(object, "end_seq",
               column_of(size, [&](std::size_t at) { return entry(at).end.seq - mark_before(at).seq - 1; }));
    return std::move(object).finish();
}

std::string text_of_rows(const std::vector<TimedRow>& rows, UtcDays days) {
    const std::size_t size = rows.size();
    std::vector<Number> starts;
    for (const auto& each : rows)
        starts.push_back(number_of(each.start));
    const Number every = usual_step(starts);
    const Number before = starts.front() - every;

    JsonObject object;
    object.whole("size", static_cast<std::int64_t>(size));
    add_number(object, "before", before - number_of(start_of_day(days.first)));
    add_number(object, "every", every);
    add_column(object, "start_us", column_of(size, [&](std::size_t at) {
                   return starts[at] - (at == 0 ? before : starts[at - 1]) - every;
               }));
    add_column(object, "ticks",
               column_of(size, [&](std::size_t at) { return static_cast<Number>(rows[at].row.ticks); }));
    add_column(object, "covered_us", column_of(size, [&](std::size_t at) {
                   return static_cast<Number>(rows[at].row.covered.count()) - every;
               }));
    add_column(object, "spread_ticks", column_of(size, [&](std::size_t at) {
                   return static_cast<Number>(rows[at].row.spread_ticks);
               }));
    add_column(object, "revision",
               column_of(size, [&](std::size_t at) { return static_cast<Number>(rows[at].row.revision); }));
    return std::move(object).finish();
}

std::string deflated(const std::string& text) {
    uLongf size = compressBound(text.size());
    std::string bytes(size, '\0');
    // It fails only if there is no memory. Empty bytes are not a block, and are never written.
    if (compress2(reinterpret_cast<Bytef*>(bytes.data()), &size, reinterpret_cast<const Bytef*>(text.data()),
                  text.size(), Z_BEST_COMPRESSION) != Z_OK)
        size = 0;
    bytes.resize(size);
    return bytes;
}

Result<std::string> inflated(std::string_view bytes) {
    z_stream stream{};
    if (inflateInit(&stream) != Z_OK) return fail("there is not enough memory to inflate it");
    // zlib only reads these bytes, but its C interface does not say so.
    stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(bytes.data()));
    stream.avail_in = static_cast<uInt>(std::min<std::size_t>(bytes.size(), text_max_bytes));
    std::string text;
    int code = Z_OK;
    while (code == Z_OK && text.size() < text_max_bytes) {
        const std::size_t before = text.size();
        text.resize(std::max<std::size_t>(before * 2, 4096));
        stream.next_out = reinterpret_cast<Bytef*>(text.data() + before);
        stream.avail_out = static_cast<uInt>(text.size() - before);
        code = inflate(&stream, Z_NO_FLUSH);
        text.resize(text.size() - stream.avail_out);
    }
    const bool is_whole = code == Z_STREAM_END && stream.avail_in == 0;
    inflateEnd(&stream);
    if (!is_whole) return fail("it is incomplete or not compressed with zlib");
    return text;
}

std::optional<Number> whole(simdjson::dom::element value) {
    if (value.is_int64()) return static_cast<Number>(value.get_int64().value());
    if (value.is_uint64()) return value.get_uint64().value();
    return std::nullopt;
}

/// Reads one object of columns. Keeps the first problem; everything after it reads as 0.
class ColumnReader {
public:
    explicit ColumnReader(simdjson::dom::element object) {
        if (object.get(object_) != simdjson::SUCCESS) {
            refuse("is not a JSON object");
            return;
        }
        const Number size = number("size");
        if (size == 0 || size > packed_block_max) refuse("has an invalid size");
        size_ = static_cast<std::size_t>(size);
    }

    [[nodiscard]] std::size_t size() const { return problem_.empty() ? size_ : 0; }
    [[nodiscard]] const std::string& problem() const { return problem_; }

    Number number(const char* name) {
        const auto found = member(name);
        const auto value = found ? whole(*found) : std::nullopt;
        if (!value) refuse(fmt::format("has no number \"{}\"", name));
        return value.value_or(0);
    }
    /// Exactly `size` numbers.
    std::vector<Number> numbers(const char* name, std::size_t size) {
        const auto found = member(name);
        auto cells = found ? cells_of(*found, size) : std::nullopt;
        std::vector<Number> values(size);
        if (!cells || !all_are_numbers(*cells)) {
            refuse(fmt::format("has no {} numbers \"{}\"", size, name));
            return values;
        }
        std::transform(cells->begin(), cells->end(), values.begin(), [](const auto& cell) { return *cell; });
        return values;
    }
    Column nullable_column(const char* name, std::optional<Number> usual) {
        const auto found = member(name);
        if (!found) return Column(size(), usual);
        if (found->is_null()) return Column(size());
        if (const auto of_all = whole(*found)) return Column(size(), of_all);
        auto cells = cells_of(*found, size());
        if (!cells) refuse(fmt::format("has an invalid column \"{}\"", name));
        return cells ? *std::move(cells) : Column(size());
    }
    std::vector<Number> column(const char* name) {
        const Column cells = nullable_column(name, 0);
        if (!all_are_numbers(cells)) refuse(fmt::format("has a column \"{}\" without a number", name));
        std::vector<Number> values(cells.size());
        std::transform(cells.begin(), cells.end(), values.begin(),
                       [](const auto& cell) { return cell.value_or(0); });
        return values;
    }
    void refuse(std::string what) {
        if (problem_.empty()) problem_ = std::move(what);
    }

private:
    std::optional<simdjson::dom::element> member(const char* name) const {
        simdjson::dom::element found;
        if (!problem_.empty() || object_.at_key(name).get(found) != simdjson::SUCCESS) return std::nullopt;
        return found;
    }
    /// The numbers and nulls of an array that has exactly `size` of them.
    static std::optional<Column> cells_of(simdjson::dom::element value, std::size_t size) {
        simdjson::dom::array array;
        if (value.get(array) != simdjson::SUCCESS) return std::nullopt;
        Column column;
        column.reserve(size);
        for (const simdjson::dom::element cell : array) {
            const auto number = whole(cell);
            if (column.size() == size || (!number && !cell.is_null())) return std::nullopt;
            column.push_back(number);
        }
        if (column.size() != size) return std::nullopt;
        return column;
    }
    static bool all_are_numbers(const Column& column) {
        return std::all_of(column.begin(), column.end(), [](const auto& cell) { return cell.has_value(); });
    }

    simdjson::dom::object object_;
    std::size_t size_ = 0;
    std::string problem_;
};

bool is_within(Instant t, UtcDays days) {
    const std::int64_t day = day_of(t);
    return day >= days.first && day < days.first + days.count;
}

std::vector<NumberedEntry> entries_of(ColumnReader& reader, UtcDays days) {
    const auto before = reader.numbers("before", 4);
    const Number every = reader.number("every");
    const auto to = reader.column("to_us");
    const auto from = reader.column("from_us");
    const auto n = reader.column("n");
    const auto ticks = reader.column("ticks");
    const auto placed = reader.column("placed");
    const auto unseen_max = reader.nullable_column("unseen_max", std::nullopt);
    const auto begin_count = reader.column("begin_count");
    const auto end_count = reader.column("end_count");
    const auto end_boot = reader.column("end_boot");
    const auto end_seq = reader.column("end_seq");

    std::vector<NumberedEntry> entries(reader.size());
    Number end = number_of(start_of_day(days.first)) + before[0];
    Mark mark{before[1], before[2], before[3]};
    for (std::size_t at = 0; at < entries.size(); ++at) {
        Entry& entry = entries[at].entry;
        const Number began = end + from[at];
        end += every + to[at];
        entry.span = {instant_at(began), instant_at(end)};
        entry.ticks = static_cast<std::int64_t>(ticks[at]);
        entry.time_estimated = placed[at] != 0;
        entry.unseen_max = unseen_max[at];
        mark = {mark.count + ticks[at] + end_count[at], mark.boot + end_boot[at], mark.seq + 1 + end_seq[at]};
        entry.end = mark;
        entry.begin_count = mark.count - ticks[at] + begin_count[at];
        entries[at].n = static_cast<std::int64_t>(n[at]);
        // Later code calculates with these times and searches them, so they must be in order.
        if (!is_within(entry.span.to, days) || end - began > span_max_us ||
            (at > 0 && !comes_before(entries[at - 1], entries[at])))
            reader.refuse(fmt::format("has entry {} out of place", at));
    }
    return entries;
}

std::vector<TimedRow> rows_of(ColumnReader& reader, UtcDays days) {
    Number start = number_of(start_of_day(days.first)) + reader.number("before");
    const Number every = reader.number("every");
    const auto starts = reader.column("start_us");
    const auto ticks = reader.column("ticks");
    const auto covered = reader.column("covered_us");
    const auto spread_ticks = reader.column("spread_ticks");
    const auto revision = reader.column("revision");

    std::vector<TimedRow> rows(reader.size());
    for (std::size_t at = 0; at < rows.size(); ++at) {
        start += every + starts[at];
        rows[at] = {instant_at(start),
                    {.ticks = static_cast<std::int64_t>(ticks[at]),
                     .covered = Duration{static_cast<std::int64_t>(covered[at] + every)},
                     .spread_ticks = static_cast<std::int64_t>(spread_ticks[at]),
                     .revision = static_cast<std::int64_t>(revision[at])}};
        if (!is_within(rows[at].start, days) || (at > 0 && rows[at].start <= rows[at - 1].start))
            reader.refuse(fmt::format("has row {} out of place", at));
    }
    return rows;
}

}  // namespace

std::string pack(const PackedBlock& block, UtcDays days) {
    JsonObject object;
    object.whole("version", format_version);
    if (!block.entries.empty()) object.raw("entries", text_of_entries(block.entries, days));
    if (!block.rows.empty()) object.raw("rows", text_of_rows(block.rows, days));
    return deflated(std::move(object).finish());
}

Result<PackedBlock> unpack(std::string_view bytes, UtcDays days) {
    const auto text = inflated(bytes);
    if (!text) return tl::unexpected(text.error());
    // The parser keeps its memory from block to block, except after a block of unusual size.
    thread_local simdjson::dom::parser kept;
    simdjson::dom::parser once;
    simdjson::dom::parser& parser = text->size() > kept_text_max_bytes ? once : kept;
    simdjson::dom::object object;
    if (parser.parse(*text).get(object) != simdjson::SUCCESS) return fail("it is not a JSON object");
    simdjson::dom::element version;
    if (object.at_key("version").get(version) != simdjson::SUCCESS ||
        whole(version) != static_cast<Number>(format_version))
        return fail(fmt::format("it is not in version {} of the format", format_version));

    PackedBlock block;
    for (const std::string_view part : {"entries", "rows"}) {
        simdjson::dom::element columns;
        if (object.at_key(part).get(columns) != simdjson::SUCCESS) continue;
        ColumnReader reader(columns);
        if (reader.size() > 0) {
            if (part == "entries") {
                block.entries = entries_of(reader, days);
            } else {
                block.rows = rows_of(reader, days);
            }
        }
        if (!reader.problem().empty()) return fail(fmt::format("it {} ({})", reader.problem(), part));
    }
    return block;
}

}  // namespace tickledger
