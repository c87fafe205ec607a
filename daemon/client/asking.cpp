#include "client/asking.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cstdio>
#include <optional>
#include <regex>

#include "client/harmless.hpp"
#include "core/percent.hpp"
#include "core/spelling.hpp"

namespace tickledger {

namespace {

constexpr std::size_t meters_listed = 12;

bool is_id(const std::string& text) {
    return text.size() <= 64 && std::ranges::all_of(text, [](char c) {
               return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
           });
}

/// The option or argument with which the person gave a parameter of the API.
std::string option_for(const Options& options, const std::string& parameter) {
    if (parameter == "meter") return "METER";
    if (parameter == "label" && !options.longest.empty()) return "--longest";
    if (parameter == "time") return options.take_back.empty() ? "--at" : "--take-back";
    if (parameter == "import") return options.import.undo.empty() ? "--as" : "--undo";
    if (parameter == "from" || parameter == "to") {
        if (!options.day.empty()) return "--day";
        if (!options.month.empty()) return "--month";
        if (!options.last.empty()) return "--last";
    }
    if (parameter == "to" && !options.until.empty()) return "--until";
    if (parameter == "to" && !options.length.empty()) return "--for";
    std::string option = "--" + parameter;
    std::ranges::replace(option, '_', '-');
    return option;
}

/// Puts options in the place of the API's parameters.
std::string with_options(const Options& options, const std::string& text) {
    static const std::regex parameter(
        "(?:The query parameter )?"
        "\"(apply_from|at|cost|for|from|group|import|label|meter|named|pulse_value|state|step|time|to|was)\""
        "(?= is\\b| must\\b|:)");
    std::string told;
    auto rest = text.begin();
    for (std::sregex_iterator found(text.begin(), text.end(), parameter), end; found != end; ++found) {
        told.append(rest, text.begin() + found->position()).append(option_for(options, found->str(1)));
        rest = text.begin() + found->position() + found->length();
    }
    return told.append(rest, text.end());
}

/// Replaces the API's words by those of this program, because the person typed options, not request
/// parameters.
std::string in_words_of_the_command(const Options& options, const std::string& text) {
    static const std::vector<std::pair<std::regex, std::string>> words{
        {std::regex("(--(?:from|to) is .* or as in today-6d\\.)"),
         "$1 It may also be yesterday, 36h, 10d or 2w."},
        {std::regex("after \"from\""), "after --from"},
        {std::regex(" is the text \""), " is \""},
        {std::regex("Give interval, hour, day, month or year"),
         "Give interval, hour, day, week, month or year"},
        {std::regex("\"reading(_m3)?\" is"), "The reading is"},
        {std::regex("\"apply_from\""), "--apply-from"},
        {std::regex("\"pulse_value\""), "--pulse-value"},
        {std::regex("GET /v1/(meters|alarms|health)"), "`tickledger $1`"},
        {std::regex("/v1/health"), "`tickledger health`"},
    };
    std::string told = with_options(options, text);
    // Where there are several meters, the command needs the meter that the person named.
    const std::string meter = is_id(options.meter) ? options.meter : "'" + options.meter + "'";
    const std::string start = options.meter.empty() ? "register" : "register " + meter;
    told = std::regex_replace(told, std::regex("register --start READING`, or \"start\": true"),
                              start + " --start READING`");
    for (const auto& [api, command] : words)
        told = std::regex_replace(told, api, command);
    return told;
}

std::string list_of(const Names& names) {
    std::vector<std::string> shown;
    for (const NamedMeter& meter : names.meters()) {
        if (shown.size() == meters_listed) {
            shown.push_back(fmt::format("and {} more", names.meters().size() - meters_listed));
            break;
        }
        shown.push_back(names.label(meter.id));
    }
    return fmt::format("{}", fmt::join(shown, ", "));
}

[[noreturn]] void refuse_meter(const Names& names, const std::string& meter, ExitStatus status) {
    if (names.meters().empty())
        throw Stop{status, fmt::format("There is no meter \"{}\": there are no meters yet.", meter)};
    std::vector<std::string_view> words;
    for (const NamedMeter& one : names.meters()) {
        words.push_back(one.id);
        if (!one.name.empty()) words.push_back(one.name);
    }
    const auto meant = nearest(meter, words);
    throw Stop{status, fmt::format("There is no meter \"{}\"{} There are: {}.", meter,
                                   meant ? fmt::format("; did you mean \"{}\"?", *meant) : std::string("."),
                                   list_of(names))};
}

}  // namespace

void refuse(const Options& options, const Answer& answer) {
    const auto document = nlohmann::json::parse(answer.body, nullptr, false);
    const bool has_detail =
        document.is_object() && document.contains("detail") && document["detail"].is_string();
    const std::string detail = has_detail ? document["detail"].get<std::string>() : std::string{};
    if (answer.status == 404 && !options.meter.empty() && detail.starts_with("There is no meter"))
        refuse_meter(names_from(options), options.meter, refused);
    throw Stop{refused, has_detail ? in_words_of_the_command(options, detail)
                                   : fmt::format("The daemon answered with status {}.", answer.status)};
}

std::string ask(const Options& options, const Asked& asked) {
    auto answer = tickledger::ask(options.socket, asked);
    if (!answer) throw Stop{not_reachable, answer.error().text};
    if (answer->status == 200 || answer->status == 202) return std::move(answer->body);
    refuse(options, *answer);
}

Json read(std::string_view body, bool for_spreadsheet) {
    return harmless(Json::parse(body), for_spreadsheet);
}

void put(std::string_view text) {
    std::fwrite(text.data(), 1, text.size(), stdout);
}

void show(const Options& options, const View& view, const std::vector<Asked>& questions) {
    if (options.csv) put(view.csv_header);
    std::optional<Names> names;
    for (const Asked& asked : questions) {
        const std::string body = ask(options, asked);
        if (options.json) {
            put(body + "\n");
        } else if (options.csv) {
            put(view.csv(read(body, options.spreadsheet)));
        } else {
            const bool is_first = !names;
            const Json document = read(body);
            if (is_first) names = asked.target == "/v1/meters" ? Names(document) : names_from(options);
            const std::string table = view.table(names->labelled(document));
            const bool is_for_later = !document.contains("meter") && document.contains("text");
            put((is_first ? "" : "\n") + (is_for_later ? in_words_of_the_command(options, table) : table));
        }
    }
}

std::string with_query(std::string target, const std::vector<std::pair<std::string, std::string>>& query) {
    char separator = '?';
    for (const auto& [name, value] : query) {
        if (value.empty()) continue;
        target += separator + name + "=" + percent_encode(value);
        separator = '&';
    }
    return target;
}

Names names_from(const Options& options) {
    const auto answer = tickledger::ask(options.socket, {"/v1/meters"});
    if (!answer || answer->status != 200) return {};
    return Names(read(answer->body));
}

std::string meter_id(const Options& options) {
    if (options.meter.empty() || is_id(options.meter)) return options.meter;
    const Names names(read(ask(options, {"/v1/meters"})));
    const auto ids = names.ids_of(options.meter);
    if (ids.size() == 1) return ids.front();
    if (ids.empty()) refuse_meter(names, options.meter, refused);
    throw Stop{wrong_call, fmt::format("Several meters are called \"{}\". Name one by its id: {}.",
                                       options.meter, fmt::join(ids, ", "))};
}

std::vector<std::string> meter_ids(const Options& options) {
    if (!options.meter.empty()) return {meter_id(options)};
    const Names names(read(ask(options, {"/v1/meters"})));
    std::vector<std::string> ids;
    for (const NamedMeter& meter : names.meters())
        ids.push_back(meter.id);
    return ids;
}

std::string told_meter(const Options& options) {
    if (!options.meter.empty()) return meter_id(options);
    const Names names(read(ask(options, {"/v1/meters"})));
    if (names.meters().size() == 1) return names.meters().front().id;
    throw Stop{wrong_call,
               names.meters().empty()
                   ? "There is no meter yet."
                   : fmt::format("There are several meters. Name one of them: {}.", list_of(names))};
}

std::string site_time(const Options& options) {
    return read(ask(options, {"/v1/health"})).at("time").get<std::string>();
}

}  // namespace tickledger
