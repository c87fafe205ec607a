#include "serve/http_message.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <boost/beast/http/status.hpp>
#include <cctype>

#include "core/json_writer.hpp"
#include "core/percent.hpp"

namespace tickledger {

Response problem(unsigned status, std::string_view detail) {
    JsonObject document;
    document.text("type", "about:blank");
    const std::string_view phrase =
        boost::beast::http::obsolete_reason(boost::beast::http::int_to_status(status));
    document.text("title", phrase);
    document.whole("status", status);
    document.text("detail", detail);
    Response response;
    response.status = status;
    response.content_type = "application/problem+json";
    response.body = std::move(document).finish() + "\n";
    return response;
}

std::string_view authority_of(std::string_view target) {
    constexpr std::string_view scheme = "http://";
    const auto is_same = [](char small, char c) {
        return std::tolower(static_cast<unsigned char>(c)) == small;
    };
    if (target.size() <= scheme.size() || !std::equal(scheme.begin(), scheme.end(), target.begin(), is_same))
        return {};
    target.remove_prefix(scheme.size());
    return target.substr(0, target.find_first_of("/?"));
}

// Written by hand: Boost.URL would be another library for these few lines, and this code explains errors in a
// sentence.
Result<Request> read_target(std::string_view target) {
    if (const std::string_view authority = authority_of(target); !authority.empty()) {
        target.remove_prefix(static_cast<std::size_t>(authority.end() - target.begin()));
        if (!target.starts_with('/')) return read_target("/" + std::string(target));
    }
    if (target.empty() || target.front() != '/') {
        return fail(fmt::format("The request's target \"{}\" does not begin with \"/\".", target));
    }
    const auto question = target.find('?');
    auto path = percent_decode(target.substr(0, question));
    if (!path) return tl::unexpected(path.error());
    Request request;
    request.path = *std::move(path);
    if (question == std::string_view::npos) return request;

    std::string_view rest = target.substr(question + 1);
    while (!rest.empty()) {
        const auto end = rest.find('&');
        const auto pair = rest.substr(0, end);
        rest = end == std::string_view::npos ? std::string_view{} : rest.substr(end + 1);
        if (pair.empty()) continue;
        const auto equals = pair.find('=');
        auto name = percent_decode(pair.substr(0, equals));
        if (!name) return tl::unexpected(name.error());
        auto value =
            percent_decode(equals == std::string_view::npos ? std::string_view{} : pair.substr(equals + 1));
        if (!value) return tl::unexpected(value.error());
        request.query.emplace_back(*std::move(name), *std::move(value));
    }
    return request;
}

}  // namespace tickledger
