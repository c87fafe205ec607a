#include "tickledger/cadence.hpp"

#include <cstddef>
#include <utility>

#include "core/quantile.hpp"

namespace tickledger {

namespace {

constexpr std::size_t pauses_least = 6;

}  // namespace

Duration rounded_cadence(Duration cadence) {
    using namespace std::chrono;
    if (cadence < seconds{1}) return seconds{1};
    if (cadence < minutes{1}) return round<seconds>(cadence);
    return duration_cast<Duration>(round<seconds>(cadence).count() % 60 < 5 || cadence > minutes{10}
                                       ? Duration{round<minutes>(cadence)}
                                       : Duration{round<seconds>(cadence)});
}

std::optional<Duration> longer_cadence(const std::vector<Duration>& pauses, Duration configured) {
    if (pauses.size() < pauses_least) return std::nullopt;
    std::vector<double> lengths;
    lengths.reserve(pauses.size());
    for (const Duration pause : pauses)
        lengths.push_back(static_cast<double>(pause.count()));
    if (quantile(lengths, 0.1) <= static_cast<double>(silence(configured).count())) return std::nullopt;
    return rounded_cadence(Duration{static_cast<Duration::rep>(median(std::move(lengths)))});
}

}  // namespace tickledger
