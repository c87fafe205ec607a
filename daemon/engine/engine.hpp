// The engine reads events from a source, books them into the ledger, and hands the ledger's publications to
// the broker. It has no thread, no waiting and no clock of its own: a running daemon, a replay and the
// simulated server all drive it step by step.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "book/backlog_detector.hpp"
#include "book/bookkeeper.hpp"
#include "engine/event_source.hpp"
#include "engine/publisher.hpp"
#include "engine/tell.hpp"

namespace tickledger {

struct Retention {
    Duration messages{};  ///< Files of the message log.
    Duration readings{};  ///< Fine detail of the ledger.
};

struct EngineSettings {
    /// The most messages of one batch. It bounds memory. Larger transactions cost less per message.
    std::size_t events_a_batch = 10'000;
    /// Days that ended longer ago than this are packed.
    Duration pack_after{};
    /// At most one day is packed in this time, so that booking never waits for more. 0: a step packs
    /// everything there is.
    Duration packing_every = std::chrono::seconds{1};
    /// Nothing: everything is kept.
    std::optional<Retention> retention{};
    /// After so many booked events, freed memory is returned to the system. 0: never, for a program that
    /// ends.
    std::size_t give_back_every = 1000;
    /// How often the engine looks for detail that is too old.
    Duration housekeeping_every = std::chrono::hours{1};
};

class Engine {
public:
    enum class Step : std::uint8_t {
        done,    ///< Everything available is booked, except what the backlog detector holds back.
        more,    ///< There is more to read.
        failed,  ///< The store failed; the next step offers the same batch again. See trouble().
    };

    /// `booked_to`: the place in the log up to which its lines are booked. The bookkeeper is loaded, or loads
    /// itself with the first batch. All references must outlive this. `tell` receives failures that stop
    /// nothing.
    Engine(Ledger& ledger, Bookkeeper& bookkeeper, EventSource& source, LogPosition booked_to,
           EngineSettings settings, Tell tell);

    /// Reads and books one batch, runs the clock as far as the source and `now` allow, removes and packs what
    /// is old, and hands publications to `send` (empty: there is no link). A replay has no clock but its
    /// recording, and passes Instant::max() as `now`.
    [[nodiscard]] Step step(Instant now, const Publisher::Send& send = {});

    /// Hands publications to `send` and books nothing. What the log holds waits for the next step. If the
    /// store fails, see trouble().
    void send_only(const Publisher::Send& send);

    /// Uses these meters and alarms from the next step on, as a restart would. If the store fails, the next
    /// step tries again. `meters` must outlive the engine, or the next call.
    [[nodiscard]] Result<void> use(const std::vector<MeterSettings>& meters, std::size_t max_meters);

    /// The link reports here what arrived, and that it went down.
    [[nodiscard]] Publisher& publisher() { return publisher_; }

    /// Why the last step failed, in the store's words. Empty: it did not fail.
    [[nodiscard]] const std::string& trouble() const { return trouble_; }
    /// Messages that wait for the server's clock to be set.
    [[nodiscard]] std::size_t undated_count() const { return detector_.undated_count(); }
    /// The place in the log up to which everything is in the ledger.
    [[nodiscard]] const LogPosition& booked_to() const { return booked_to_; }

private:
    [[nodiscard]] Result<void> stay_in_place();
    [[nodiscard]] Result<bool> read_batch();
    [[nodiscard]] bool is_batch() const;
    [[nodiscard]] Result<Step> book(Instant now);
    void give_back_memory();
    void remove_old(Instant now);
    void pack_old(Instant now);

    Ledger& ledger_;
    Bookkeeper& bookkeeper_;
    EventSource& source_;
    const EngineSettings settings_;
    const Tell tell_;
    Publisher publisher_;

    BacklogDetector detector_;
    BacklogDetector::Ready offered_;  ///< A batch that could not be booked yet.
    LogPosition booked_to_;
    Instant read_to_{};  ///< The time of the newest event that was read.
    Instant batch_from_{};
    std::string trouble_;
    std::size_t events_since_trim_ = 0;

    std::optional<Instant> house_kept_at_;
    std::optional<Instant> packed_at_;
    bool has_days_to_pack_ = false;
};

}  // namespace tickledger
