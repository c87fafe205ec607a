// The parts that the API's calls share: the request, its parameters, and a view of the ledger.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <tl/expected.hpp>
#include <vector>

#include "book/valuation.hpp"
#include "serve/api.hpp"

namespace tickledger {

/// A value, or the response that says why there is none.
template <typename T>
using OrProblem = tl::expected<T, Response>;

[[nodiscard]] inline tl::unexpected<Response> refuse(unsigned status, std::string_view detail) {
    return tl::unexpected<Response>(problem(status, detail));
}

/// Lends views of the ledger and keeps a few connections for later calls. A view shows one moment of the
/// ledger for as long as it is held.
class Snapshots {
public:
    explicit Snapshots(const ApiParts& parts) : parts_(parts) {}

    /// The view returns to the pool when it is destroyed. A caller may hold it until a long answer has been
    /// sent. Fails with the store's words.
    [[nodiscard]] Result<std::shared_ptr<LedgerView>> take() const;

private:
    using Idle = std::vector<std::unique_ptr<LedgerView>>;
    const ApiParts& parts_;
    std::shared_ptr<Idle> idle_ = std::make_shared<Idle>();
};

struct Call {
    const ApiParts& parts;
    const Snapshots& snapshots;
    const Request& request;
    /// The text in the place of "{id}".
    std::string id;

    /// The value of a query parameter.
    [[nodiscard]] std::optional<std::string> parameter(std::string_view name) const;
    /// The value of a query parameter, read as a point of time (point.hpp).
    [[nodiscard]] OrProblem<std::optional<Instant>> instant(std::string_view name) const;
    /// The span of the query parameters `from` and `to`. `to` defaults to now, `from` to `default_length`
    /// before `to`.
    [[nodiscard]] OrProblem<Span> span(Duration default_length) const;
    /// A view that shows everything accepted so far.
    [[nodiscard]] OrProblem<std::shared_ptr<LedgerView>> fresh_view() const;
    /// Logs an instruction and returns a view in which it has normally taken effect. It has not if messages
    /// that waited at the broker are still arriving (half a minute at most) or booking has stopped. In that
    /// case answer with accepted_for_later().
    [[nodiscard]] OrProblem<std::shared_ptr<LedgerView>> instruct(std::string document) const;
};

/// The view for an answer that is sent in parts. A fast reader gets the whole answer from one moment of the
/// ledger. For a slow reader the snapshot must not be held: everything booked meanwhile would pile up in the
/// write-ahead log. So each further part then comes from a moment of its own.
class PartwiseView {
public:
    PartwiseView(const Call& call, std::shared_ptr<LedgerView> view)
        : snapshots_(&call.snapshots), longest_(call.parts.snapshot_longest), view_(std::move(view)) {}

    /// Calls `write` with the view. `write` writes the next part and returns whether there are more. Fails
    /// with the store's words.
    template <typename Write>
    [[nodiscard]] Result<bool> part(const Write& write) {
        const auto view = get();
        if (!view) return tl::unexpected(view.error());
        Result<bool> more = write(**view);
        end_part();
        return more;
    }

private:
    [[nodiscard]] Result<LedgerView*> get();
    /// Ends a part. Nobody knows when the next one will be asked for.
    void end_part();

    const Snapshots* snapshots_;
    Duration longest_;
    std::shared_ptr<LedgerView> view_;
    std::chrono::steady_clock::time_point since_ = std::chrono::steady_clock::now();
};

/// A meter as the calls see it. It has no record before anything is booked for it.
struct FoundMeter {
    std::string id;
    const MeterSettings* settings = nullptr;
    std::optional<MeterRecord> record;
};

/// True if the configuration names this very meter, not a pattern. Such a meter exists even before its first
/// message.
[[nodiscard]] bool is_configured(const ApiParts& parts, const std::string& id);

/// The meter with this id, or a 404.
[[nodiscard]] OrProblem<FoundMeter> find_meter(const Call& call, LedgerView& view, const std::string& id);
/// The meter that the path names, or a 404.
[[nodiscard]] inline OrProblem<FoundMeter> find_meter(const Call& call, LedgerView& view) {
    return find_meter(call, view, call.id);
}

/// Every configured meter in the order of the configuration, then the existing meters of patterns, by id and
/// its numbers: flat-2 before flat-10.
[[nodiscard]] Result<std::vector<FoundMeter>> all_meters(const ApiParts& parts, LedgerView& view);

/// A function that reads the ticks of a meter's rows from the view.
[[nodiscard]] TicksOfRow ticks_of_row(LedgerView& view, const FoundMeter& meter);
/// All ticks of the meter, by pulse value.
[[nodiscard]] Result<std::vector<ValuedTicks>> total_of(LedgerView& view, const FoundMeter& meter,
                                                        const MeterSummary& summary,
                                                        const PulseValues& values, const CivilZone& zone);

[[nodiscard]] Response ledger_problem(const Error& error);

/// A 202: the instruction is logged and will be booked, but is not yet.
[[nodiscard]] Response accepted_for_later();

// The calls, by the file that defines them.
[[nodiscard]] Response get_meters(const Call& call);
[[nodiscard]] Response get_usage(const Call& call);
[[nodiscard]] Response get_usage_of_all(const Call& call);
[[nodiscard]] Response get_draws(const Call& call);
[[nodiscard]] Response get_ledger(const Call& call);
[[nodiscard]] Response get_register(const Call& call);
[[nodiscard]] Response post_register(const Call& call);
[[nodiscard]] Response delete_register(const Call& call);
[[nodiscard]] Response post_calibration(const Call& call);
[[nodiscard]] Response get_history(const Call& call);
[[nodiscard]] Response post_history(const Call& call);
[[nodiscard]] Response delete_history(const Call& call);
[[nodiscard]] Response post_away(const Call& call);
[[nodiscard]] Response delete_away(const Call& call);
[[nodiscard]] Response get_alarms(const Call& call);
[[nodiscard]] Response post_acknowledge(const Call& call);
[[nodiscard]] Response post_unacknowledge(const Call& call);
[[nodiscard]] Response post_shelve(const Call& call);
[[nodiscard]] Response post_unshelve(const Call& call);
[[nodiscard]] Response get_clock(const Call& call);
[[nodiscard]] Response post_clock(const Call& call);
[[nodiscard]] Response get_health(const Call& call);
[[nodiscard]] Response get_metrics(const Call& call);
[[nodiscard]] Response get_today(const Call& call);
[[nodiscard]] Response get_nights(const Call& call);
[[nodiscard]] Response get_stream(const Call& call);
[[nodiscard]] Response get_openapi(const Call& call);

}  // namespace tickledger
