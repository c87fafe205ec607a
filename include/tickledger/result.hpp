// How an operation that can fail reports its failure.
#pragma once

#include <string>
#include <tl/expected.hpp>
#include <utility>

namespace tickledger {

/// A failure, in a sentence that a tired person understands: what is wrong, where, and what to do.
struct Error {
    std::string text;
};

/// A value, or the reason why there is none. Every function that reads outside data returns one.
template <typename T>
using Result = tl::expected<T, Error>;

/// Shorthand for `return fail("...")` in a function that returns a Result.
[[nodiscard]] inline tl::unexpected<Error> fail(std::string text) {
    return tl::unexpected<Error>(Error{std::move(text)});
}

}  // namespace tickledger
