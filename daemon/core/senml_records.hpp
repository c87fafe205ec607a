// Resolved SenML records: RFC 8428 section 4.6.
#pragma once

#include <boost/multiprecision/cpp_int.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// A number as a whole multiple of 10^-40: sums and comparisons of what was written are exact.
using ExactNumber = boost::multiprecision::cpp_int;
/// The number 1.
[[nodiscard]] const ExactNumber& exact_one();

/// The largest whole number that is not above the ratio. Precondition: denominator > 0.
[[nodiscard]] boost::multiprecision::cpp_int floor_of(const boost::multiprecision::cpp_int& numerator,
                                                      const boost::multiprecision::cpp_int& denominator);

/// A record with the base fields applied and its time absolute.
struct ResolvedRecord {
    std::string name;
    std::string unit;
    std::optional<ExactNumber> value;  ///< Nothing if it holds a text, a truth value, data or only a sum.
    /// Nothing if the record gives no time: it was measured roughly when it arrived.
    std::optional<Instant> time;
};

/// Resolves a pack. Relative times count from `now`. Records are in order of time; those of the same time
/// keep the pack's order. A CBOR double counts as the shortest decimal that reads back as it. Fails if the
/// pack cannot be read or must not be used. Precondition: the payload is not empty.
[[nodiscard]] Result<std::vector<ResolvedRecord>> resolve_senml(std::string_view payload, Instant now);

}  // namespace tickledger
