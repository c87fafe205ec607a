#include "client/documents.hpp"

#include <cstddef>

namespace tickledger {

std::vector<std::string_view> documents_in(std::string_view answer) {
    std::vector<std::string_view> documents;
    // Depth 1 is the answer, 2 the list, 3 a document in it.
    constexpr int depth_of_documents = 3;
    int depth = 0;
    std::size_t begin = 0;
    bool is_in_text = false;
    for (std::size_t i = 0; i < answer.size(); ++i) {
        const char c = answer[i];
        if (is_in_text) {
            if (c == '\\') {
                ++i;
            } else if (c == '"') {
                is_in_text = false;
            }
        } else if (c == '"') {
            is_in_text = true;
        } else if (c == '{' || c == '[') {
            if (++depth == depth_of_documents) begin = i;
        } else if (c == '}' || c == ']') {
            if (depth-- == depth_of_documents) documents.push_back(answer.substr(begin, i + 1 - begin));
        }
    }
    return documents;
}

}  // namespace tickledger
