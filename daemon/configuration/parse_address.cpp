#include <arpa/inet.h>
#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <optional>

#include "configuration/parsers.hpp"

namespace tickledger {

namespace {

/// MQTT strings have a length of two bytes (MQTT 3.1.1 section 1.5.3).
constexpr std::size_t mqtt_text_max_bytes = 65535;

struct HostAndPort {
    std::string_view host;  ///< Without the brackets of an IPv6 address.
    std::optional<std::string_view> port;
    bool bracketed = false;
};

std::optional<HostAndPort> split_host_and_port(std::string_view text) {
    HostAndPort parts;
    std::string_view rest;
    if (text.starts_with('[')) {
        const auto end = text.find(']');
        if (end == std::string_view::npos) return std::nullopt;
        parts.host = text.substr(1, end - 1);
        parts.bracketed = true;
        rest = text.substr(end + 1);
    } else {
        parts.host = text.substr(0, text.find(':'));
        rest = text.substr(parts.host.size());
    }
    if (parts.host.empty()) return std::nullopt;
    if (rest.empty()) return parts;
    if (rest.front() != ':') return std::nullopt;
    parts.port = rest.substr(1);
    return parts;
}

bool is_port(std::string_view text) {
    unsigned port = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), port);
    return error == std::errc{} && end == text.data() + text.size() && text.size() <= 5 && port >= 1 &&
           port <= 65535;
}

bool is_ipv6(std::string_view text) {
    in6_addr address{};
    return inet_pton(AF_INET6, std::string{text}.c_str(), &address) == 1;
}

bool is_host_name(std::string_view text) {
    return std::all_of(text.begin(), text.end(), [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' ||
               c == '.' || c == '_';
    });
}

/// 127.0.0.0/8 and ::1.
bool is_loopback(const HostAndPort& parts) {
    const std::string host{parts.host};
    if (parts.bracketed) {
        in6_addr address{};
        return inet_pton(AF_INET6, host.c_str(), &address) == 1 && IN6_IS_ADDR_LOOPBACK(&address);
    }
    in_addr address{};
    return inet_pton(AF_INET, host.c_str(), &address) == 1 && (ntohl(address.s_addr) >> 24) == 127;
}

bool is_address(const HostAndPort& parts) {
    in_addr address{};
    return parts.bracketed ? is_ipv6(parts.host)
                           : inet_pton(AF_INET, std::string{parts.host}.c_str(), &address) == 1;
}

/// Checks what MQTT forbids in every topic. Nothing if there is no fault.
std::optional<std::string> fault_of_topic(std::string_view text, std::string_view example) {
    if (text.empty()) return fmt::format("a topic cannot be empty. Write one, for example \"{}\".", example);
    if (text.size() > mqtt_text_max_bytes) {
        return fmt::format("this topic has {} bytes, and MQTT allows {}. Write a shorter one.", text.size(),
                           mqtt_text_max_bytes);
    }
    if (text.find('\0') != std::string_view::npos) {
        return "a topic cannot hold the character NUL. Take \\u0000 out of it.";
    }
    return std::nullopt;
}

/// Removes the first level from the filter and returns it. `ended`: it was the last one.
std::string_view take_level(std::string_view& filter, bool& ended) {
    const auto slash = filter.find('/');
    const std::string_view level = filter.substr(0, slash);
    ended = slash == std::string_view::npos;
    filter = ended ? std::string_view{} : filter.substr(slash + 1);
    return level;
}

}  // namespace

Result<std::string> parse_broker_url(std::string_view text) {
    constexpr std::string_view example =
        "Write, for example, \"mqtt://127.0.0.1:1883\" or \"mqtts://broker.example:8883\".";
    std::string_view rest = text;
    if (rest.starts_with("mqtt://")) {
        rest.remove_prefix(7);
    } else if (rest.starts_with("mqtts://")) {
        rest.remove_prefix(8);
    } else {
        return fail(fmt::format("\"{}\" does not begin with mqtt:// or mqtts://. {}", text, example));
    }
    if (rest.find('@') != std::string_view::npos) {
        return fail(
            "a name or password does not belong in the url. Write `username` and `password_file` instead.");
    }
    if (rest.find_first_of("/?#") != std::string_view::npos) {
        return fail(fmt::format("\"{}\" has something after the host and port. {}", text, example));
    }
    const auto parts = split_host_and_port(rest);
    if (!parts || !(parts->bracketed ? is_ipv6(parts->host) : is_host_name(parts->host))) {
        return fail(fmt::format("\"{}\" has no host. {}", text, example));
    }
    if (parts->port && !is_port(*parts->port)) {
        return fail(fmt::format("\"{}\" is not a valid port. Write a number from 1 to 65535.", *parts->port));
    }
    return std::string{text};
}

Result<std::string> parse_client_id(std::string_view text) {
    if (text.empty()) {
        return fail(
            "a client id cannot be empty, because the broker keeps waiting messages under it. Write one "
            "that "
            "no other client of the broker has, for example \"tickledger\".");
    }
    if (text.size() > mqtt_text_max_bytes || text.find('\0') != std::string_view::npos) {
        return fail("this is not a valid MQTT client id. Write a short name, for example \"tickledger\".");
    }
    return std::string{text};
}

Result<std::string> parse_topic_filter(std::string_view text) {
    if (auto fault = fault_of_topic(text, "nodes/cellar/water")) return fail(*std::move(fault));
    if (text.starts_with("$share/")) {
        return fail(
            fmt::format("\"{}\" shares its messages out among several clients, so that some would be missing "
                        "here. Write the filter without \"$share/\" and the name of the group.",
                        text));
    }
    std::string_view rest = text;
    for (bool ended = false; !ended;) {
        const std::string_view level = take_level(rest, ended);
        if (level.find('#') != std::string_view::npos && (level != "#" || !ended)) {
            return fail(
                fmt::format("\"{}\" is not a valid topic filter. Let # stand alone as the last level, as in "
                            "\"nodes/#\".",
                            text));
        }
        if (level.find('+') != std::string_view::npos && level != "+") {
            return fail(
                fmt::format("\"{}\" is not a valid topic filter. Let + stand for one whole level, as in "
                            "\"nodes/+/water\".",
                            text));
        }
    }
    return std::string{text};
}

Result<std::string> parse_topic_root(std::string_view text) {
    if (auto fault = fault_of_topic(text, "tickledger")) return fail(*std::move(fault));
    if (text.find_first_of("+#") != std::string_view::npos) {
        return fail(fmt::format(
            "\"{}\" contains + or #, which are not allowed in a topic to publish to. Write a plain topic, "
            "for example \"tickledger\".",
            text));
    }
    if (text.front() == '$') {
        return fail(fmt::format(
            "\"{}\" begins with $, which is kept for the broker's own topics. Write a plain topic, "
            "for example \"tickledger\".",
            text));
    }
    if (text.back() == '/') {
        return fail(
            fmt::format("\"{}\" ends with a slash. Remove it: a slash is put before the next level.", text));
    }
    return std::string{text};
}

Result<std::string> parse_http_address(std::string_view text) {
    if (text.empty()) return std::string{};
    const auto parts = split_host_and_port(text);
    if (!parts || !parts->port || !is_port(*parts->port) || !is_address(*parts)) {
        return fail(
            fmt::format("\"{}\" is not a valid address and port. Write, for example, \"127.0.0.1:8470\" or "
                        "\"[::1]:8470\", or \"\" to switch it off.",
                        text));
    }
    return std::string{text};
}

bool is_loopback_address(std::string_view address_and_port) {
    const auto parts = split_host_and_port(address_and_port);
    return parts && is_loopback(*parts);
}

bool filters_overlap(std::string_view a, std::string_view b) {
    bool a_ended = false;
    bool b_ended = false;
    while (!a_ended && !b_ended) {
        const std::string_view of_a = take_level(a, a_ended);
        const std::string_view of_b = take_level(b, b_ended);
        if (of_a == "#" || of_b == "#") return true;
        if (of_a != of_b && of_a != "+" && of_b != "+") return false;
    }
    // "nodes/#" matches "nodes" too.
    return (a_ended && b_ended) || (a_ended ? b == "#" : a == "#");
}

}  // namespace tickledger
