#include "book/slow_watch.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "book/night_times.hpp"
#include "tickledger/hours.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

void SlowWatch::follow(Account& account, const Entry& entry) {
    const AlarmSettings& alarms = account.settings.alarms;
    AccountMemory& memory = account.memory();
    if (!account.in_force(entry.span).settings.watches(AlarmKind::slow_leak)) {
        memory.slow_leak.reset();
        memory.slow_leak_period.reset();
        return;
    }
    if (!memory.slow_leak) memory.slow_leak.emplace();
    SlowLeak& slow_leak = *memory.slow_leak;
    if (slow_leak.is_past_night(entry.span.from))
        slow_leak.begin_night(night_after(zone_, alarms, entry.span.from));
    const bool is_news = slow_leak.add(entry);
    const Instant at = entry.span.to;
    if (const auto finding = slow_leak.finding(); finding && is_news) {
        // A leak that night-flow has reported is not reported twice.
        if (AlarmDesk::is_active(account, AlarmKind::night_flow)) return;
        memory.slow_leak_period = finding->period;
        desk_.raise(account, AlarmKind::slow_leak, at, evidence(account, *finding, at));
    }
    if (!memory.slow_leak_period || !slow_leak.refutes(*memory.slow_leak_period)) return;
    memory.slow_leak_period.reset();
    slow_leak.forget(at);
    desk_.clear(account, AlarmKind::slow_leak, at);
}

Evidence SlowWatch::evidence(const Account& account, const SlowLeak::Finding& finding, Instant at) {
    const double flow_l_per_h =
        account.in_force({finding.since, at}).settings.pulse_value_l.value() / hours_of(finding.period);
    const double days = hours_of(at - finding.since) / 24;
    EvidenceBuilder evidence(zone_);
    evidence.span({finding.since, at})
        .whole("lone_ticks", finding.lone_ticks)
        .estimate("period_min", hours_of(finding.period) * 60, 0)
        .flow(flow_l_per_h, 2)
        .estimate("log_likelihood_ratio", finding.log_likelihood_ratio, 1);
    return std::move(evidence).saying(fmt::format(
        "A little water seems to run all the time at {}: for {:.0f} days the meter has not stood still for "
        "longer than about {}, and {} ticks came alone in quiet hours, as they do with a steady leak. That "
        "is about {:.2f} litres an hour, {:.0f} litres a day, {:.1f} m3 a year. Look for a dripping tap or "
        "safety valve, or a cistern that trickles.",
        account.id, std::max(1.0, days), in_words(finding.period), finding.lone_ticks, flow_l_per_h,
        flow_l_per_h * 24, flow_l_per_h * 24 * 365 / 1000));
}

}  // namespace tickledger
