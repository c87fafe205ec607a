#include "core/spelling.hpp"

#include <algorithm>
#include <numeric>

namespace tickledger {

std::size_t edit_distance(std::string_view a, std::string_view b) {
    // Three rows of the table are enough: a swap looks back two.
    std::vector<std::size_t> row(b.size() + 1);
    std::iota(row.begin(), row.end(), std::size_t{0});
    std::vector<std::size_t> last = row, before_last = row;
    for (std::size_t i = 1; i <= a.size(); ++i) {
        before_last.swap(last);
        last.swap(row);
        row[0] = i;
        for (std::size_t j = 1; j <= b.size(); ++j) {
            const std::size_t change = a[i - 1] == b[j - 1] ? 0 : 1;
            row[j] = std::min({last[j] + 1, row[j - 1] + 1, last[j - 1] + change});
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
                row[j] = std::min(row[j], before_last[j - 2] + 1);
            }
        }
    }
    return row[b.size()];
}

std::optional<std::string_view> nearest(std::string_view word, const std::vector<std::string_view>& words) {
    // A word this long is not a typing slip, and the table grows with its length.
    if (word.size() > 64) return std::nullopt;
    std::optional<std::string_view> best;
    std::size_t best_distance = 0;
    for (const auto candidate : words) {
        const std::size_t distance = edit_distance(word, candidate);
        const std::size_t forgiven =
            candidate.size() < 4 ? 1 : std::max<std::size_t>(2, candidate.size() / 3);
        if (distance <= forgiven && (!best || distance < best_distance)) {
            best = candidate;
            best_distance = distance;
        }
    }
    return best;
}

}  // namespace tickledger
