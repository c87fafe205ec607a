#include "client/cells.hpp"

#include <fmt/format.h>

#include "client/table.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

std::string civil(const std::string& time) {
    if (time.size() < 19) return time;
    const std::string seconds = time.substr(16, 3);
    return time.substr(0, 10) + ' ' + time.substr(11, 5) + (seconds == ":00" ? "" : seconds);
}

std::string civil(const Json& time, const std::string& absent) {
    return time.is_null() ? absent : civil(time.get<std::string>());
}

std::string offset_of(const std::string& time) {
    return time.ends_with('Z') ? "Z" : time.substr(time.size() - 6);
}

std::string number(const Json& value, int digits) {
    return value.is_null() ? no_data : fmt::format("{:.{}f}", value.get<double>(), digits);
}

std::string whole(const Json& value) {
    return value.is_null() ? no_data : std::to_string(value.get<std::int64_t>());
}

std::string counted(std::int64_t count, const char* one, const char* many) {
    return fmt::format("{} {}", count, count == 1 ? one : many);
}

std::int64_t length_s(const Json& span) {
    const auto from = parse_rfc3339(span.at("from").get<std::string>());
    const auto to = parse_rfc3339(span.at("to").get<std::string>());
    return from && to ? std::chrono::round<std::chrono::seconds>(*to - *from).count() : 0;
}

void append(std::string& notes, const std::string& note) {
    if (!notes.empty()) notes += "; ";
    notes += note;
}

std::string csv_of(const Json& list, std::initializer_list<const char*> members, const Json* first) {
    std::string text;
    for (const Json& one : list) {
        std::vector<std::string> fields;
        if (first) fields.push_back(csv_field(*first));
        for (const char* member : members)
            fields.push_back(csv_field(one.at(member)));
        text += csv_record(fields);
    }
    return text;
}

}  // namespace tickledger
