#include "serve/page.hpp"

#include <fmt/format.h>

#include <algorithm>

namespace tickledger {

namespace {

/// Content Security Policy Level 3: only content from this server, no inline script or style, no frames.
/// Trusted Types keep text from becoming markup, so a topic or a payload cannot inject any.
constexpr std::string_view policy =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; "
    "trusted-types 'none'";

/// Whether an If-None-Match field contains the tag (RFC 9110 section 13.1.2; compared weakly).
bool names(std::string_view field, std::string_view tag) {
    return field == "*" || field.find(tag) != std::string_view::npos;
}

}  // namespace

std::optional<Response> page_answer(const Request& request) {
    const auto files = page_files();
    const auto file = std::ranges::find(files, request.path, &PageFile::path);
    if (file == files.end()) return std::nullopt;
    if (request.method != "GET" && request.method != "HEAD") {
        Response response = problem(
            405, fmt::format("{} does not take {}; it takes GET, HEAD.", request.path, request.method));
        response.allow = "GET, HEAD";
        return response;
    }
    Response response;
    response.content_type = file->content_type;
    // The browser may keep it but asks every time, so a new program shows its new page at once.
    response.fields = {{"Cache-Control", "no-cache"},
                       {"ETag", std::string(file->tag)},
                       {"Content-Security-Policy", std::string(policy)},
                       {"Referrer-Policy", "no-referrer"},
                       {"Cross-Origin-Opener-Policy", "same-origin"},
                       {"Cross-Origin-Resource-Policy", "same-origin"}};
    if (names(request.if_none_match, file->tag)) {
        response.status = 304;
        response.content_type.clear();
    } else {
        response.body = file->text;
    }
    return response;
}

}  // namespace tickledger
