// A batch succeeds or fails as a whole. Inside a batch, a failing store throws this exception, which abandons
// the batch.
#pragma once

#include <exception>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// Thrown by value_or_throw(). Caught where the batch began, which is rolled back and tried again later.
class StoreFailure : public std::exception {
public:
    explicit StoreFailure(Error error) : error_(std::move(error)) {}
    [[nodiscard]] const char* what() const noexcept override { return error_.text.c_str(); }
    [[nodiscard]] const Error& error() const { return error_; }

private:
    Error error_;
};

/// Returns the value, or abandons the batch by throwing StoreFailure.
template <typename T>
T value_or_throw(Result<T> result) {
    if (!result) throw StoreFailure(std::move(result.error()));
    if constexpr (!std::is_void_v<T>) return std::move(*result);
}

}  // namespace tickledger
