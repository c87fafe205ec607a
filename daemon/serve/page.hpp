// The page's files, which are built into the program. Each is served under one exact path, and no request
// reaches the file system.
#pragma once

#include <optional>
#include <span>
#include <string_view>

#include "serve/http_message.hpp"

namespace tickledger {

struct PageFile {
    std::string_view path;  ///< "/page/app.js"
    std::string_view content_type;
    /// An entity tag with its quotes (RFC 9110 section 8.8.3). It changes with the text.
    std::string_view tag;
    std::string_view text;
};

/// Generated from daemon/serve/page when the program is built.
[[nodiscard]] std::span<const PageFile> page_files();

/// The answer if the path is one of the page's; otherwise nothing.
[[nodiscard]] std::optional<Response> page_answer(const Request& request);

}  // namespace tickledger
