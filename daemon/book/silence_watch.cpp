#include "book/silence_watch.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "tickledger/words.hpp"

namespace tickledger {

void SilenceWatch::hear(Account& account, Instant at) {
    AccountMemory& memory = account.memory();
    const Duration silent_after = account.settings.alarms.silent_after;
    const bool after_silence = !memory.heard_at || at - *memory.heard_at >= silent_after;
    memory.heard_at = std::max(at, memory.heard_at.value_or(at));
    if (AlarmDesk::is_active(account, AlarmKind::node_silent)) {
        if (after_silence || !memory.heard_since) memory.heard_since = at;
        if (at - *memory.heard_since >= silent_after) desk_.clear(account, AlarmKind::node_silent, at);
    } else {
        memory.heard_since.reset();
    }
}

std::optional<Instant> SilenceWatch::deadline(const Account& account) const {
    if (!link_.up || !link_.since || !account.settings.alarms.is_on(AlarmKind::node_silent))
        return std::nullopt;
    if (AlarmDesk::is_active(account, AlarmKind::node_silent)) return std::nullopt;
    // While the link was down no node could be heard. Each gets the full time again once the link is up.
    const Instant quiet_since = std::max(*link_.since, account.memory().heard_at.value_or(*link_.since));
    return quiet_since + account.settings.alarms.silent_after;
}

void SilenceWatch::raise(Account& account, Instant now) {
    const auto& heard_at = account.memory().heard_at;
    const Duration silent_after = account.settings.alarms.silent_after;
    EvidenceBuilder evidence(zone_);
    if (heard_at) {
        evidence.at("last_heard_at", *heard_at);
    } else {
        evidence.not_known("last_heard_at");
    }
    evidence.whole("silent_after_s", std::chrono::floor<std::chrono::seconds>(silent_after).count());
    desk_.raise(
        account, AlarmKind::node_silent, now,
        std::move(evidence).saying(fmt::format(
            "The node of {} has sent no message{}. Its battery may be empty, or it does not reach the network. "
            "Until it sends again, this meter is not watched. The alarm clears once it has sent for {} without "
            "such a gap.",
            account.id, heard_at ? " since " + in_words(*heard_at, zone_) : " yet", in_words(silent_after))));
}

}  // namespace tickledger
