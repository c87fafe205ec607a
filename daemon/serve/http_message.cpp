#include "serve/http_message.hpp"

#include <fmt/format.h>

#include <boost/beast/http/status.hpp>

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

// Written by hand: Boost.URL would be another library for these few lines, and this code explains errors in a
// sentence.
Result<Request> read_target(std::string_view target) {
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
