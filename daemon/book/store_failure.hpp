// A batch stands or falls as a whole, so inside one a failing store is an exception that abandons it.
#pragma once

#include <exception>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// Thrown by value_or_throw(); caught where the batch began, which rolls back and tries again later.
class StoreFailure : public std::exception {
public:
    explicit StoreFailure(Error error) : error_(std::move(error)) {}
    [[nodiscard]] const char* what() const noexcept override { return error_.text.c_str(); }
    [[nodiscard]] const Error& error() const { return error_; }

private:
    Error error_;
};

/// The value, or the batch is abandoned.
template <typename T>
T value_or_throw(Result<T> result) {
    if (!result) throw StoreFailure(std::move(result.error()));
    if constexpr (!std::is_void_v<T>) return std::move(*result);
}

}  // namespace tickledger
