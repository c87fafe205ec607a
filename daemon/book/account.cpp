#include "book/account.hpp"

namespace tickledger {

std::optional<Span> absence(const std::optional<ToldAway>& told, const AlarmSettings& settings) {
    constexpr Span always{Instant::min(), Instant::max()};
    if (!told || told->configured != settings.away)
        return settings.away ? std::optional(always) : std::nullopt;
    if (!told->from) return std::nullopt;
    return Span{*told->from, told->to.value_or(always.to)};
}

}  // namespace tickledger
