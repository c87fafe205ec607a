// What the calls of the API have in common: the request, its parameters, and a view of the ledger.
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

/// A value, or the answer that says why there is none.
template <typename T>
using OrProblem = tl::expected<T, Response>;

[[nodiscard]] inline tl::unexpected<Response> refuse(unsigned status, std::string_view detail) {
    return tl::unexpected<Response>(problem(status, detail));
}

/// Lends views of the ledger, each showing one moment of it for as long as it is held, and keeps a few
/// connections for the next call.
class Snapshots {
public:
    explicit Snapshots(const ApiParts& parts) : parts_(parts) {}

    /// The view returns to the pool when it is destroyed. It may be held until a long answer has been sent.
    [[nodiscard]] OrProblem<std::shared_ptr<LedgerView>> take() const;

private:
    using Idle = std::vector<std::unique_ptr<LedgerView>>;
    const ApiParts& parts_;
    std::shared_ptr<Idle> idle_ = std::make_shared<Idle>();
};

struct Call {
    const ApiParts& parts;
    const Snapshots& snapshots;
    const Request& request;
    /// What stands in the place of "{id}".
    std::string id;

    /// The value of a query parameter.
    [[nodiscard]] std::optional<std::string> parameter(std::string_view name) const;
    /// The same, read as a point of time (point.hpp).
    [[nodiscard]] OrProblem<std::optional<Instant>> instant(std::string_view name) const;
    /// The query parameters from and to; without them up to now, and so long before.
    [[nodiscard]] OrProblem<Span> span(Duration default_length) const;
    /// A view that shows everything accepted so far.
    [[nodiscard]] OrProblem<std::shared_ptr<LedgerView>> fresh_view() const;
    /// Logs an instruction and returns a view in which it has taken effect. It has not yet where messages
    /// that waited at the broker are still arriving (half a minute at most) or booking stands still: then
    /// answer with accepted_for_later().
    [[nodiscard]] OrProblem<std::shared_ptr<LedgerView>> instruct(std::string document) const;
};

/// The view of an answer that is sent part by part. All of it comes from one moment where it is taken soon; a
/// reader who is slower must not make the daemon keep all that is booked meanwhile beside the ledger, so each
/// further part comes from a moment of its own.
class PartwiseView {
public:
    PartwiseView(const Call& call, std::shared_ptr<LedgerView> view)
        : snapshots_(&call.snapshots), longest_(call.parts.snapshot_longest), view_(std::move(view)) {}

    /// Lends the view to `write`, which writes the next part and returns whether there are more. Fails with
    /// the store's words.
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
    /// The part is written; nobody knows when the next one is asked for.
    void end_part();

    const Snapshots* snapshots_;
    Duration longest_;
    std::shared_ptr<LedgerView> view_;
    std::chrono::steady_clock::time_point since_ = std::chrono::steady_clock::now();
};

/// A meter as the calls see it. Without a record nothing of it has been booked yet.
struct FoundMeter {
    std::string id;
    const MeterSettings* settings = nullptr;
    std::optional<MeterRecord> record;
};

/// The configuration names just this meter: it is there even before its first message.
[[nodiscard]] bool is_configured(const ApiParts& parts, const std::string& id);

/// The meter of this id, or a 404.
[[nodiscard]] OrProblem<FoundMeter> find_meter(const Call& call, LedgerView& view, const std::string& id);
/// The meter that the path names, likewise.
[[nodiscard]] inline OrProblem<FoundMeter> find_meter(const Call& call, LedgerView& view) {
    return find_meter(call, view, call.id);
}

/// Every configured meter in the order of the configuration, then those of patterns that exist, by id.
[[nodiscard]] Result<std::vector<FoundMeter>> all_meters(const ApiParts& parts, LedgerView& view);

/// The ticks of a meter's rows, as the view shows them.
[[nodiscard]] TicksOfRow ticks_of_row(LedgerView& view, const FoundMeter& meter);
/// All its ticks by what they stand for.
[[nodiscard]] Result<std::vector<ValuedTicks>> total_of(LedgerView& view, const FoundMeter& meter,
                                                        const MeterSummary& summary,
                                                        const PulseValues& values, const CivilZone& zone);

[[nodiscard]] Response ledger_problem(const Error& error);

/// 202: the instruction is kept and will be booked, but is not yet.
[[nodiscard]] Response accepted_for_later();

// The calls, by the file that holds them.
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
