// tickledger import: imports records from before the meter's first reading. A dry run is the default.
#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "client/asking.hpp"
#include "client/import/readings_file.hpp"
#include "core/percent.hpp"
#include "tickledger/units.hpp"

namespace tickledger {

namespace {

namespace fs = std::filesystem;

constexpr std::uintmax_t file_max_bytes = std::uintmax_t{64} * 1024 * 1024;
constexpr std::size_t notes_shown = 8;
// Within the daemon's limits for one request: a body of 64 KiB, and two years.
constexpr std::size_t piece_readings = 500;
constexpr std::chrono::days piece_longest{366};

std::string target_of(const std::string& meter) {
    return "/v1/meters/" + percent_encode(meter) + "/history";
}

std::string text_of(const std::string& file) {
    std::error_code failure;
    const auto bytes = fs::file_size(file, failure);
    if (failure) throw Stop{wrong_call, fmt::format("{} cannot be read: {}.", file, failure.message())};
    if (bytes > file_max_bytes) throw Stop{wrong_call, fmt::format("{} is larger than 64 MiB.", file)};
    std::ostringstream text;
    std::ifstream stream(file, std::ios::binary);
    text << stream.rdbuf();
    if (!stream || stream.bad()) throw Stop{wrong_call, fmt::format("{} cannot be read, or is empty.", file)};
    return std::move(text).str();
}

char sign_in(const std::string& text, const char* option) {
    if (text == "\\t" || text == "tab") return '\t';
    if (text.size() <= 1) return text.empty() ? '\0' : text.front();
    throw Stop{wrong_call, fmt::format("{} is one character, or tab.", option)};
}

FileOrder order_of(const ImportOptions& options) {
    FileOrder order{.time = options.time,
                    .register_column = options.register_column,
                    .consumption = options.consumption,
                    .unit = options.unit,
                    .delimiter = sign_in(options.delimiter, "--delimiter"),
                    .decimal = sign_in(options.decimal, "--decimal"),
                    .dates = DateOrder::unknown,
                    .times_are_ends = options.times_are_ends};
    if (order.decimal != 0 && order.decimal != '.' && order.decimal != ',')
        throw Stop{wrong_call, "--decimal is . or ,"};
    if (options.dates == "day-first") order.dates = DateOrder::day_first;
    if (options.dates == "month-first") order.dates = DateOrder::month_first;
    if (!options.dates.empty() && order.dates == DateOrder::unknown)
        throw Stop{wrong_call, "--dates is day-first or month-first."};
    return order;
}

/// A volume of the file in cubic metres, rounded for display.
std::string m3_text(std::int64_t volume, const std::string& unit) {
    const auto one_l = parse_volume_l("1 " + unit);
    const double volume_m3 = static_cast<double>(volume) / volume_one * one_l->value() / 1000;
    return fmt::format("{:.3f} m³", volume_m3);
}

std::string in_words(char sign) {
    return sign == '\t' ? "tab" : fmt::format("\"{}\"", sign);
}

void show_notes(const std::string& title, const std::vector<FileNote>& notes) {
    if (notes.empty()) return;
    put(fmt::format("{}: {}\n", title, notes.size()));
    for (std::size_t i = 0; i < notes.size() && i < notes_shown; ++i)
        put(fmt::format("  line {}: {}\n", notes[i].line, notes[i].text));
    if (notes.size() > notes_shown) put(fmt::format("  and {} more\n", notes.size() - notes_shown));
}

void show_contents(const FileContents& contents, const CivilZone& zone) {
    put(fmt::format("Delimiter {}, decimal sign {}; times in {} without an offset are in {}.\n",
                    in_words(contents.delimiter), in_words(contents.decimal), contents.time_column,
                    zone.name()));
    put(fmt::format("Volumes: {}, in {}, {}.\n", contents.volume_column, contents.unit,
                    contents.is_consumption ? "what ran in each row (--consumption)"
                                            : "what the meter showed (--register)"));
    const auto& first = contents.stretches.front().front();
    const auto& last = contents.stretches.back().back();
    put(fmt::format("Rows: {}, from {} to {}, {} in all.\n", contents.rows, zone.format(first.at),
                    zone.format(last.at), m3_text(contents.volume(), contents.unit)));
    show_notes("Rows that cannot be read, left out", contents.unreadable);
    show_notes("The register runs backwards", contents.running_back);
    show_notes("Gaps", contents.gaps);
    show_notes("Hours at which the clock was changed", contents.wall_clock);
}

using Piece = std::vector<FileReading>;

/// The readings up to `end`, in pieces that fit one request.
std::vector<Piece> pieces_of(const FileContents& contents, Instant end) {
    std::vector<Piece> pieces;
    for (const auto& stretch : contents.stretches) {
        Piece piece;
        for (const FileReading& reading : stretch) {
            if (reading.at > end) break;
            const bool is_full = piece.size() >= piece_readings ||
                                 (piece.size() > 1 && reading.at - piece.front().at > piece_longest);
            if (is_full) {
                const FileReading shared = piece.back();
                pieces.push_back(std::exchange(piece, {shared}));
            }
            piece.push_back(reading);
        }
        if (piece.size() > 1) pieces.push_back(std::move(piece));
    }
    return pieces;
}

std::int64_t volume_of(const std::vector<Piece>& pieces) {
    std::int64_t sum = 0;
    for (const Piece& piece : pieces)
        sum += piece.back().volume - piece.front().volume;
    return sum;
}

std::size_t spans_in(const std::vector<Piece>& pieces) {
    std::size_t count = 0;
    for (const Piece& piece : pieces)
        count += piece.size() - 1;
    return count;
}

std::string body_of(const Piece& piece, const std::string& import, const std::string& unit) {
    Json readings = Json::array();
    for (const FileReading& reading : piece)
        readings.push_back({{"time", format_utc(reading.at)}, {"volume", volume_text(reading.volume)}});
    return Json{{"import", import}, {"unit", unit}, {"readings", std::move(readings)}}.dump();
}

void show_imports(const Options& options, const Json& document) {
    if (options.csv) return put(history_view.csv_header + history_view.csv(document));
    put(history_view.table(names_from(options).labelled(document)));
}

void undo(const Options& options, const std::string& meter) {
    const std::string body =
        ask(options, {with_query(target_of(meter), {{"import", options.import.undo}}), "DELETE"});
    if (options.json) return put(body + "\n");
    const Json document = read(body);
    if (!document.contains("imports")) return put(document.value("text", "") + "\n");
    if (options.csv) return show_imports(options, document);
    put(fmt::format("The import \"{}\" was undone and is no longer booked.\n", options.import.undo));
}

void book(const Options& options, const std::string& meter, const std::vector<Piece>& pieces,
          const std::string& import, const std::string& unit) {
    Json last;
    for (const Piece& piece : pieces) {
        const std::string body = ask(options, {target_of(meter), "POST", body_of(piece, import, unit)});
        if (options.json) put(body + "\n");
        last = read(body);
    }
    if (options.json) return;
    if (!last.contains("imports")) return put(last.value("text", "") + "\n");
    if (options.csv) return show_imports(options, last);
    for (const Json& one : last.at("imports")) {
        if (one.at("name") != import) continue;
        put(fmt::format("Booked as \"{}\": {} L in {} spans. To undo it: tickledger import {} --undo '{}'\n",
                        import, one.at("volume_l").dump(), one.at("entries").dump(), meter, import));
    }
}

void take_in(const Options& options, const std::string& meter) {
    const ImportOptions& told = options.import;
    const Json before = read(ask(options, {target_of(meter)}));
    const std::string zone_name = told.zone.empty() ? before.at("timezone").get<std::string>() : told.zone;
    const auto zone = CivilZone::find(zone_name);
    if (!zone) throw Stop{wrong_call, zone.error().text};
    const auto contents = understand(text_of(told.file), order_of(told), *zone);
    if (!contents) throw Stop{wrong_call, contents.error().text};
    const bool is_for_programs = options.json || options.csv;
    if (is_for_programs && !told.book)
        throw Stop{wrong_call, "A dry run has no --json or --csv output. Leave them out, or add --book."};
    if (!is_for_programs) show_contents(*contents, *zone);

    if (before.at("ends_by").is_null())
        throw Stop{
            refused,
            fmt::format("Nothing has been booked for {} yet. History ends where the meter's own readings "
                        "begin. Import it after the first one.",
                        meter)};
    const auto end = parse_rfc3339(before.at("ends_by").get<std::string>());
    if (!end) throw Stop{refused, end.error().text};
    const auto pieces = pieces_of(*contents, *end);
    const std::size_t left_out = spans_in(contents->stretches) - spans_in(pieces);
    if (left_out > 0 && !is_for_programs)
        put(fmt::format("Spans left out, because the meter's own readings begin at {}: {}.\n",
                        zone->format(*end), left_out));
    if (pieces.empty()) throw Stop{refused, "Nothing is left to import."};
    const std::string import = told.name.empty() ? fs::path(told.file).filename().string() : told.name;
    if (told.book) return book(options, meter, pieces, import, contents->unit);
    put(fmt::format(
        "To import: {} spans, {}. Nothing is booked yet. If this is right, repeat the command with --book.\n",
        spans_in(pieces), m3_text(volume_of(pieces), contents->unit)));
}

}  // namespace

void import_history(const Options& options) {
    const std::string meter = told_meter(options);
    if (!options.import.undo.empty()) return undo(options, meter);
    if (!options.import.file.empty()) return take_in(options, meter);
    const std::string body = ask(options, {target_of(meter)});
    if (options.json) return put(body + "\n");
    show_imports(options, read(body));
}

}  // namespace tickledger
