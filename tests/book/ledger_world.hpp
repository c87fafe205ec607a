// A bookkeeper over a real ledger file, fed with messages by hand.
#pragma once

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "book/bookkeeper.hpp"
#include "store/ledger_view.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::test {

inline MeterSettings house() {
    MeterSettings meter;
    meter.id = "house";
    meter.topic = "nodes/house";
    return meter;
}

/// The value. If there is none, the test fails with the error's text.
template <typename T>
T must(Result<T> result) {
    if (!result) FAIL(result.error().text);
    if constexpr (!std::is_void_v<T>) return std::move(*result);
}

inline constexpr std::size_t max_meters = 1000;

class LedgerWorld {
public:
    explicit LedgerWorld(std::vector<MeterSettings> with_meters = {house()},
                         const std::string& zone_name = "UTC")
        : meters(std::move(with_meters)), zone(must(CivilZone::find(zone_name))) {
        open();
    }

    /// As if the daemon had been killed and started again.
    void open() {
        keeper.reset();
        ledger.reset();
        auto opened = Ledger::open(file());
        if (!opened) FAIL(opened.error().text);
        ledger = std::move(*opened);
        keeper = std::make_unique<Bookkeeper>(meters, zone, *ledger, Publishing::everything, max_meters);
        must(keeper->load());
    }

    /// A message arrives; the clock does not advance.
    void arrive(Instant at, const std::string& payload, const std::string& topic = "nodes/house") {
        Message message;
        message.arrived_at = at;
        message.topic = topic;
        message.payload = payload;
        take({{std::move(message)}});
    }
    /// The broker sends its retained copy of a message.
    void arrive_as_copy(Instant at, const std::string& payload, const std::string& topic = "nodes/house") {
        Delivery delivery;
        delivery.waited = true;
        delivery.event = Message{.arrived_at = at, .topic = topic, .payload = payload, .retained = true};
        take({std::move(delivery)});
    }
    void hear(Instant at, const std::string& payload, const std::string& topic = "nodes/house") {
        arrive(at, payload, topic);
        // A reading after a silence is booked half a cadence later.
        run_clock(at + meters.front().cadence / 2);
    }
    void hear_count(Instant at, std::uint64_t count) {
        hear(at, "{\"count\":" + std::to_string(count) + "}");
    }

    void take(std::vector<Delivery> deliveries) { must(keeper->book({.deliveries = deliveries})); }
    void run_clock(Instant until) { must(keeper->book({.until = until})); }

    [[nodiscard]] std::vector<Entry> entries(const std::string& id = "house") {
        return must(ledger->entries(key(id), {instant_of(0), instant_of(4'000'000'000'000'000)}));
    }
    [[nodiscard]] std::optional<Row> row(Step step, Instant start, const std::string& id = "house") {
        return must(ledger->row({key(id), step, start}));
    }
    [[nodiscard]] std::vector<AlarmRecord> alarms() { return must(view()->alarms({}, {})); }
    [[nodiscard]] std::vector<Undecided> undecided() { return must(view()->undecided({})); }
    /// The publications of a topic below the root that wait in the outbox, as JSON.
    [[nodiscard]] std::vector<nlohmann::json> published(const std::string& topic) {
        std::vector<nlohmann::json> found;
        for (const Outgoing& outgoing : must(ledger->outbox(0, 100'000))) {
            if (outgoing.topic == topic) found.push_back(nlohmann::json::parse(outgoing.payload));
        }
        return found;
    }
    [[nodiscard]] MeterKey key(const std::string& id) { return must(ledger->meter_key(id)); }
    [[nodiscard]] std::unique_ptr<LedgerView> view() { return must(LedgerView::open(file())); }
    [[nodiscard]] std::filesystem::path file() const { return directory / "ledger.db"; }

    TempDirectory directory;
    std::vector<MeterSettings> meters;
    CivilZone zone;
    std::unique_ptr<Ledger> ledger;
    std::unique_ptr<Bookkeeper> keeper;
};

[[nodiscard]] inline std::int64_t ticks_in(LedgerWorld& world) {
    std::int64_t sum = 0;
    for (const Entry& entry : world.entries())
        sum += entry.ticks;
    return sum;
}

/// 2026-03-01 00:00 UTC plus this many minutes.
inline Instant at_min(int minutes_after_midnight) {
    return Instant{std::chrono::sys_days{std::chrono::year{2026} / 3 / 1}} +
           std::chrono::minutes{minutes_after_midnight};
}

}  // namespace tickledger::test
