// Opens a ledger for a test and takes its answers. On an error the test fails with the error's text.
#pragma once

#include <catch2/catch.hpp>
#include <filesystem>
#include <memory>
#include <string>
#include <utility>

#include "store/ledger.hpp"

namespace tickledger::test {

template <typename T>
T value_of(Result<T> result) {
    INFO((result ? std::string() : result.error().text));
    REQUIRE(result);
    return std::move(*result);
}

inline void done(const Result<void>& result) {
    INFO((result ? std::string() : result.error().text));
    REQUIRE(result);
}

inline std::unique_ptr<Ledger> opened(const std::filesystem::path& file) {
    auto ledger = Ledger::open(file);
    INFO((ledger ? std::string() : ledger.error().text));
    REQUIRE(ledger);
    return std::move(*ledger);
}

}  // namespace tickledger::test
