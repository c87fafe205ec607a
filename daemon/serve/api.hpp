// The API: the routing table and its calls. Shapes and examples are in docs/api.md.
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

/// What is known of the time (docs/time.md).
struct ClockState {
    Instant server{};                  ///< The server's clock.
    std::optional<Instant> known;      ///< The time; empty if it is not known.
    Duration disbelieved_ahead{};      ///< How far the server's clock is ahead with nobody vouching for it.
    std::optional<Instant> stamps_at;  ///< The last stamp, if stamps are ahead of the time.
};

/// What the calls need from the rest of the daemon. All functions are called on the server's thread.
struct ApiParts {
    const Configuration* configuration = nullptr;
    CivilZone zone;
    /// Opens another read-only connection to the ledger.
    std::function<Result<std::unique_ptr<LedgerView>>()> open_view;
    /// The settings of a meter by its resolved id ("flat-7" finds those of "flat-{1}"), or null. Their
    /// address must not change. Called only with ids from the configuration or the ledger.
    std::function<const MeterSettings*(const std::string& id)> settings_for;
    std::function<Result<MeterSummary>(const MeterRecord&, const MeterSettings&)> summarise;
    std::function<HealthFacts()> health;
    /// Returns once everything accepted so far is booked and visible, or cannot be booked now.
    std::function<void()> catch_up;
    /// Logs an instruction: a JSON object with `do` and its parameters. If it returns no error, the
    /// instruction is on the disk, and catch_up() waits for it as for a message.
    std::function<Result<void>(std::string document)> instruct;
    /// The wall clock.
    std::function<Instant()> now;
    std::function<ClockState()> clock;
    /// Notes that a person says the server's clock is right now. Fails, with what to do, if it cannot be.
    std::function<Result<void>()> clock_is_right;
    /// How long an answer that is sent in parts may keep its snapshot of the ledger.
    Duration snapshot_longest = std::chrono::seconds{2};
    /// Events for open streams.
    News* news = nullptr;
    /// Whether the caller may see a meter; empty: all. Code that gets data other than through the ledger must
    /// call it.
    std::function<bool(const std::string& meter)> shows = {};
    /// True if the caller may change nothing; such requests get 403.
    bool is_read_only = false;
};

struct Call;

/// One call of the API: a row of the routing table.
struct Route {
    std::string_view method;
    /// "{id}" stands for the part that names a meter or an alarm.
    std::string_view path;
    /// The query parameters that it takes. Any other is refused.
    std::vector<std::string_view> parameters;
    Response (*answer)(const Call&);
};

/// The routing table. HEAD is answered wherever GET is.
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
