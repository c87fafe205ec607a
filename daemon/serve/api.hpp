// The API: the routing table and the calls behind it. Shapes and examples: docs/api.md.
#pragma once

#include <functional>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "book/summary.hpp"
#include "configuration/configuration.hpp"
#include "serve/health.hpp"
#include "serve/http_message.hpp"
#include "store/ledger_view.hpp"
#include "tickledger/civil.hpp"

namespace tickledger {

class News;

/// What is known of the time; docs/time.md.
struct ClockState {
    Instant server{};              ///< What the server's clock says.
    std::optional<Instant> known;  ///< The time, where it is known.
    Duration disbelieved_ahead{};  ///< By how much the server's clock is ahead of it, where nobody vouches.
    std::optional<Instant> stamps_at;  ///< Stamps are ahead of the time, and stand here.
};

/// What the calls need of the rest of the daemon. All of it is called on the server's thread.
struct ApiParts {
    const Configuration* configuration = nullptr;
    CivilZone zone;
    /// Opens one more read-only connection to the ledger.
    std::function<Result<std::unique_ptr<LedgerView>>()> open_view;
    /// The settings of a meter by its resolved id ("flat-7" finds those of "flat-{1}"); null: none. They must
    /// stay where they are. Asked only for ids that the configuration or the ledger holds.
    std::function<const MeterSettings*(const std::string& id)> settings_for;
    std::function<Result<MeterSummary>(const MeterRecord&, const MeterSettings&)> summarise;
    std::function<HealthFacts()> health;
    /// Returns once what has been accepted so far is booked and so can be seen, or cannot be booked now.
    std::function<void()> catch_up;
    /// Logs an instruction: a JSON object with `do` and its parameters. Once this has returned without error
    /// it is on the disk, and catch_up() waits for it as for a message.
    std::function<Result<void>(std::string document)> instruct;
    /// The wall clock.
    std::function<Instant()> now;
    std::function<ClockState()> clock;
    /// A person says that the server's clock is right now. Fails, with what to do, where it cannot be.
    std::function<Result<void>()> clock_is_right;
    /// So long an answer that is sent part by part may stay at its moment of the ledger.
    Duration snapshot_longest = std::chrono::seconds{2};
    /// The events for open streams.
    News* news = nullptr;
    /// The meters that are there for who asks; empty: all. What does not come by way of the ledger must ask
    /// it.
    std::function<bool(const std::string& meter)> shows = {};
    /// Nothing may be changed: 403.
    bool is_read_only = false;
};

struct Call;

/// One call of the API: a row of the routing table.
struct Route {
    std::string_view method;
    /// With "{id}" for the part that names a meter or an alarm.
    std::string_view path;
    /// The query parameters that it knows; any other is refused.
    std::vector<std::string_view> parameters;
    Response (*answer)(const Call&);
};

/// The routing table. HEAD is answered where GET is.
[[nodiscard]] std::span<const Route> routes();

/// Must outlive the server that calls it. Thread: one (the server's).
class Api {
public:
    explicit Api(ApiParts parts);
    ~Api();
    Api(const Api&) = delete;
    Api& operator=(const Api&) = delete;

    [[nodiscard]] Response handle(const Request& request) const;

private:
    struct Inside;
    std::unique_ptr<Inside> inside_;
};

}  // namespace tickledger
