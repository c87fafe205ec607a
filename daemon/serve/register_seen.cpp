#include "serve/register_seen.hpp"

namespace tickledger {

OrProblem<Seen> see(const Call& call, std::shared_ptr<LedgerView> view) {
    auto meter = find_meter(call, *view);
    if (!meter) return tl::unexpected(meter.error());
    Seen seen{std::move(view), *std::move(meter), {}, PulseValues({1, 1}), {}, {}};
    const CivilZone& zone = call.parts.zone;
    if (seen.meter.record) {
        auto summary = call.parts.summarise(*seen.meter.record, *seen.meter.settings);
        if (!summary) return tl::unexpected(ledger_problem(summary.error()));
        seen.summary = *std::move(summary);
        auto readings = seen.view->register_readings(seen.meter.record->key);
        if (!readings) return tl::unexpected(ledger_problem(readings.error()));
        seen.readings = *std::move(readings);
    }
    seen.values = pulse_values(*seen.meter.settings, seen.summary.meter_register, zone);
    const auto fine = seen.view->fact("fine_detail_from");
    if (!fine) return tl::unexpected(ledger_problem(fine.error()));
    if (*fine) seen.fine_detail_from = instant_of(std::stoll(**fine));
    return seen;
}

}  // namespace tickledger
