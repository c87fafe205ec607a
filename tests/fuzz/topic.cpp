// A filter and a topic, one line each, checked against a second implementation of MQTT 3.1.1 section 4.7.
#include <vector>

#include "configuration/parsers.hpp"
#include "fuzz/fuzz.hpp"
#include "tickledger/message.hpp"

namespace {

using Levels = std::vector<std::string_view>;

Levels levels_of(std::string_view text) {
    Levels levels;
    while (true) {
        const auto slash = text.find('/');
        levels.push_back(text.substr(0, slash));
        if (slash == std::string_view::npos) return levels;
        text.remove_prefix(slash + 1);
    }
}

bool matches_from(const Levels& filter, const Levels& topic, std::size_t at) {
    if (at == filter.size()) return at == topic.size();
    if (filter[at] == "#") return true;
    if (at >= topic.size()) return false;
    return (filter[at] == "+" || filter[at] == topic[at]) && matches_from(filter, topic, at + 1);
}

bool matches(std::string_view filter, std::string_view topic) {
    if (filter.empty() || topic.empty()) return false;
    const bool begins_wild = filter.front() == '+' || filter.front() == '#';
    if (topic.front() == '$' && begins_wild) return false;
    return matches_from(levels_of(filter), levels_of(topic), 0);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    using fuzz::must;
    std::string_view topic = fuzz::text_of(data, size);
    const std::string_view filter = fuzz::take_line(topic);
    const bool found = topic_matches(filter, topic);
    must(found == matches(filter, topic), "a filter matches as the standard says");
    const auto wildcard = first_wildcard(filter, topic);
    must(!wildcard || found, "only a match gives a wildcard's value");
    must(!wildcard || topic.find(*wildcard) != std::string_view::npos,
         "a wildcard's value is part of the topic");
    // A topic without wildcards is a filter that matches only itself.
    if (!parse_topic_filter(filter) || !parse_topic_filter(topic) ||
        topic.find_first_of("+#") != std::string_view::npos)
        return 0;
    must(topic_matches(topic, topic), "a topic matches itself");
    if (found) must(filters_overlap(filter, topic), "a filter overlaps a topic that it matches");
    must(filters_overlap(filter, topic) == filters_overlap(topic, filter), "overlap is symmetric");
    return 0;
}
