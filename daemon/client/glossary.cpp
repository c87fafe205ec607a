#include "client/glossary.hpp"

#include <algorithm>

namespace tickledger {

/// The text of the source; defined in glossary.cpp.in.
[[nodiscard]] std::string_view glossary_source();

namespace {

std::vector<Explained> read_source() {
    std::vector<Explained> found;
    std::string_view rest = glossary_source();
    while (!rest.empty()) {
        const std::string_view line = rest.substr(0, rest.find('\n'));
        rest.remove_prefix(std::min(rest.size(), line.size() + 1));
        constexpr std::string_view heading = "## ";
        if (line.starts_with(heading)) {
            found.push_back({std::string(line.substr(heading.size())), {}});
        } else if (!found.empty() && !line.empty()) {
            std::string& text = found.back().text;
            if (!text.empty()) text += ' ';
            text += line;
        }
    }
    return found;
}

/// In small letters, with spaces for hyphens and underscores.
std::string folded(std::string_view word) {
    std::string out(word);
    for (char& c : out) {
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
        if (c == '-' || c == '_') c = ' ';
    }
    return out;
}

}  // namespace

const std::vector<Explained>& glossary() {
    static const std::vector<Explained> all = read_source();
    return all;
}

const Explained* explain(std::string_view word) {
    const std::string wanted = folded(word);
    for (const Explained& one : glossary()) {
        const std::string known = folded(one.word);
        if (known == wanted || known + "s" == wanted) return &one;
    }
    return nullptr;
}

}  // namespace tickledger
