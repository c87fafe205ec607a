// Collects every mistake of one file, so that a person can correct all of them at once.
#pragma once

#include <algorithm>
#include <string>
#include <utility>
#include <vector>

#include "configuration/configuration.hpp"

namespace tickledger {

/// 1-based; line 0 means the whole file.
struct Place {
    unsigned line = 0;
    unsigned column = 0;
};

class Mistakes {
public:
    explicit Mistakes(std::string file) : file_(std::move(file)) {}

    void add(Place place, std::string text) {
        found_.push_back({file_, place.line, place.column, std::move(text)});
    }

    [[nodiscard]] std::size_t count() const { return found_.size(); }

    /// Returns all mistakes in the order of the file, and clears the list.
    [[nodiscard]] std::vector<Mistake> take() {
        std::stable_sort(found_.begin(), found_.end(), [](const Mistake& a, const Mistake& b) {
            return std::pair{a.line, a.column} < std::pair{b.line, b.column};
        });
        return std::exchange(found_, {});
    }

private:
    std::string file_;
    std::vector<Mistake> found_;
};

}  // namespace tickledger
