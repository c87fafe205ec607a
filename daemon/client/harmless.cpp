#include "client/harmless.hpp"

#include <nlohmann/json.hpp>

#include "core/harmless.hpp"

namespace tickledger {

namespace {

bool is_like_a_formula(std::string_view text) {
    return !text.empty() && std::string_view("=+-@").find(text.front()) != std::string_view::npos;
}

}  // namespace

nlohmann::ordered_json harmless(nlohmann::ordered_json document, bool for_spreadsheet) {
    if (document.is_string()) {
        std::string shown = harmless_text(document.get_ref<const std::string&>());
        if (for_spreadsheet && is_like_a_formula(shown)) shown.insert(0, 1, '\'');
        return shown;
    }
    if (document.is_structured()) {
        for (auto& inside : document)
            inside = harmless(std::move(inside), for_spreadsheet);
    }
    return document;
}

}  // namespace tickledger
