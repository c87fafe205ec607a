// The three laws of docs/ledger.md, for any run of messages, including those that no node would send.
#include <rapidcheck/catch.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

#include "book/account.hpp"
#include "law_desk.hpp"
#include "told_run.hpp"

using namespace tickledger;
using tickledger::simulation::Chance;
using namespace tickledger::test;

namespace {

/// One run, the disk that it is booked on, and the source of further chance.
struct Trial {
    ToldRun run;
    Chance chance;
    SimVfs vfs;

    [[nodiscard]] Desk desk(std::string file) { return Desk(vfs, std::move(file), run.meter); }
    /// Books the whole run at once.
    void book(Desk& desk) const { desk.book(run.deliveries, end_of(run)); }
    /// Calls `book(batch, left)` with the run in batches of one to twelve deliveries; `left` are those after
    /// the batch.
    template <typename Book>
    void in_batches(Book book) {
        std::span<const Delivery> left = run.deliveries;
        while (!left.empty()) {
            const auto batch = left.first(std::min<std::size_t>(left.size(), 1 + chance.below(12)));
            left = left.subspan(batch.size());
            book(batch, left);
        }
    }
};

MessageForm some_form(Chance& chance) {
    return chance.happens(0.5) ? MessageForm::counter : MessageForm::pulses;
}

/// `law` takes a Trial&.
template <typename Law>
void for_any_messages(Law law) {
    rc::prop("for any run of messages", [&] {
        const Draws draws = draw(120);
        Chance chance(draws.seed);
        ToldRun run = run_of(draws, some_form(chance));
        Trial trial{std::move(run), chance, SimVfs(draws.seed)};
        law(trial);
    });
}

template <typename Law>
void for_any_messages_and_words(Law law) {
    rc::prop("for any run of messages and instructions", [&] {
        const Draws draws = draw(120);
        Chance chance(draws.seed);
        ToldRun run = with_people(run_of(draws, some_form(chance)), chance);
        Trial trial{std::move(run), chance, SimVfs(draws.seed)};
        law(trial);
    });
}

std::int64_t ticks_of(const std::vector<Entry>& entries) {
    return std::accumulate(entries.begin(), entries.end(), std::int64_t{0},
                           [](std::int64_t sum, const Entry& entry) { return sum + entry.ticks; });
}

std::string words(const Entry& entry) {
    return std::string(name_of(entry.kind)) + " " + format_utc(entry.span.from) + " to " +
           format_utc(entry.span.to) + " " + std::to_string(entry.ticks) + " ticks, counts " +
           std::to_string(entry.begin_count) + " to " + std::to_string(entry.end.count);
}

/// Logs the messages for the report of a run that fails.
void log_messages(const char* what, const std::vector<Delivery>& deliveries) {
    for (const Delivery& delivery : deliveries) {
        const auto* message = std::get_if<Message>(&delivery.event);
        if (!message) continue;
        RC_LOG() << what << " " << format_utc(message->arrived_at) << (delivery.waited ? " waited" : "")
                 << (message->retained ? " retained " : " ") << message->payload << "\n";
    }
}

/// Each reading holds the ticks booked before it and around it, and the register matches it to the nearest
/// tick.
void check_readings(const std::vector<RegisterReading>& readings, const std::vector<Entry>& entries,
                    const RegisterMemory& its_register) {
    std::int64_t adjusted_until = 0;
    for (const RegisterReading& reading : readings) {
        adjusted_until += reading.adjustment_ticks;
        std::int64_t before = 0;
        std::int64_t within = 0;
        for (const Entry& entry : entries) {
            if (entry.kind == EntryKind::adjustment) continue;
            if (entry.span.to <= reading.at)
                before += entry.ticks;
            else if (entry.span.from < reading.at)
                within += entry.ticks;
        }
        RC_ASSERT(reading.ticks_before == before);
        RC_ASSERT(reading.ticks_within == within);
        if (!its_register.pulse_values.empty() || its_register.start_ul) continue;
        // At one litre a tick the register matches it exactly, or within the ticks of the entry around it.
        const std::int64_t missing = reading.register_ul / 1'000'000 - before - adjusted_until;
        RC_ASSERT(missing >= std::min<std::int64_t>(within, 0));
        RC_ASSERT(missing <= std::max<std::int64_t>(within, 0));
    }
    std::int64_t adjusted = 0;
    for (const Entry& entry : entries)
        if (entry.kind == EntryKind::adjustment) adjusted += entry.ticks;
    RC_ASSERT(adjusted_until == adjusted);
    RC_CLASSIFY(!readings.empty());
    RC_CLASSIFY(adjusted != 0);
}

}  // namespace

TEST_CASE("conservation holds with readings by eye, and the register matches each to the nearest tick") {
    for_any_messages_and_words([](Trial& trial) {
        Desk desk = trial.desk("/ledger.db");
        trial.book(desk);
        const std::vector<RegisterReading> readings = desk.readings();
        const Books books = desk.books();
        const auto& meter = books.meters().at(0);
        const AccountMemory memory = memory_from_record(meter.state).value();
        const std::int64_t booked = ticks_of(meter.entries);
        RC_ASSERT(memory.total_ticks == booked);
        for (const std::int64_t ticks : meter.row_ticks)
            RC_ASSERT(ticks == booked);
        check_readings(readings, meter.entries, memory.meter_register);
    });
}

TEST_CASE("restartability holds with instructions of people") {
    for_any_messages_and_words([](Trial& trial) {
        Desk at_once = trial.desk("/once.db");
        trial.book(at_once);
        Desk killed = trial.desk("/killed.db");
        trial.in_batches([&](auto batch, auto) {
            killed.book(batch);
            if (trial.chance.happens(0.3)) killed.kill();
        });
        killed.book({}, end_of(trial.run));
        RC_ASSERT(at_once.readings() == killed.readings());
        same(at_once.books(), killed.books());
    });
}

TEST_CASE("restartability: an account that sleeps between batches books the same as one that is awake") {
    for_any_messages_and_words([](Trial& trial) {
        Desk awake = trial.desk("/awake.db");
        Desk asleep = trial.desk("/asleep.db");
        asleep.let_sleep();
        trial.in_batches([&](auto batch, auto) {
            awake.book(batch);
            asleep.book(batch);
        });
        awake.book({}, end_of(trial.run));
        asleep.book({}, end_of(trial.run));
        RC_ASSERT(awake.readings() == asleep.readings());
        same(awake.books(), asleep.books());
    });
}

TEST_CASE("conservation: the entries, the rows of every step and the register hold the same ticks") {
    for_any_messages([](Trial& trial) {
        Desk desk = trial.desk("/ledger.db");
        trial.book(desk);
        const Books books = desk.books();
        const auto& meter = books.meters().at(0);
        const std::int64_t booked = ticks_of(meter.entries);
        RC_ASSERT(memory_from_record(meter.state).value().total_ticks == booked);
        for (const std::int64_t ticks : meter.row_ticks)
            RC_ASSERT(ticks == booked);
    });
}

TEST_CASE("conservation: entries leave no gap and do not overlap") {
    for_any_messages([](Trial& trial) {
        Desk desk = trial.desk("/ledger.db");
        trial.book(desk);
        const Books books = desk.books();
        const auto& meter = books.meters().at(0);
        for (std::size_t i = 1; i < meter.entries.size(); ++i) {
            const bool follows = meter.entries[i].span.length() == Duration{0} ||
                                 meter.entries[i].span.from == meter.entries[i - 1].span.to;
            if (!follows) RC_LOG() << words(meter.entries[i - 1]) << "\n" << words(meter.entries[i]) << "\n";
            RC_ASSERT(follows);
        }
    });
}

TEST_CASE("conservation: a counter's entries follow from one count to the next") {
    rc::prop("for any run of messages", [] {
        const Draws draws = draw(120);
        const ToldRun run = run_of(draws, MessageForm::counter);
        SimVfs vfs(draws.seed);
        Desk desk(vfs, "/ledger.db", run.meter);
        desk.book(run.deliveries);
        const CounterRules rules(run.meter);
        const Books books = desk.books();
        for (const Entry& entry : books.meters().at(0).entries) {
            const bool is_back = entry.kind == EntryKind::reverse;
            const bool counts =
                is_back || entry.kind == EntryKind::measured || entry.kind == EntryKind::restart;
            const bool follows = is_back ? static_cast<std::uint64_t>(-entry.ticks) ==
                                               rules.gain(entry.end.count, entry.begin_count)
                                         : static_cast<std::uint64_t>(entry.ticks) ==
                                               rules.gain(entry.begin_count, entry.end.count);
            if (counts && !follows) RC_LOG() << words(entry) << "\n";
            RC_ASSERT(!counts || follows);
        }
    });
}

TEST_CASE(
    "idempotence: messages with boot and number, delivered again in any order and number, change nothing") {
    for_any_messages([](Trial& trial) {
        const ToldRun& run = trial.run;
        Desk desk = trial.desk("/ledger.db");
        trial.book(desk);
        log_messages("delivered", run.deliveries);
        const Books once = desk.books();
        for (int round = 0; round < 3; ++round) {
            std::vector<Delivery> again;
            for (int left = 40; left > 0; --left) {
                Delivery delivery = run.deliveries[trial.chance.below(run.deliveries.size())];
                // A retained copy is not a delivery of the message: one whose count falls is ignored at any
                // time.
                if (std::get<Message>(delivery.event).retained) continue;
                std::get<Message>(delivery.event).arrived_at = end_of(run);
                delivery.waited = std::get<Message>(delivery.event).redelivered = true;
                again.push_back(std::move(delivery));
            }
            desk.book(again);
            log_messages("delivered again", again);
            same(once, desk.books());
        }
    });
}

TEST_CASE(
    "restartability: kills between batches and looks at the clock at any time leave the ledger the same") {
    for_any_messages([](Trial& trial) {
        Chance& chance = trial.chance;
        Desk at_once = trial.desk("/once.db");
        trial.book(at_once);
        Desk killed = trial.desk("/killed.db");
        trial.in_batches([&](auto batch, auto left) {
            std::optional<Instant> until;
            if (!left.empty() && chance.happens(0.5)) {
                const Instant from = time_of(batch.back().event);
                const Duration pause = time_of(left.front().event) - from;
                until = pause > Duration{0} ? from + chance.moment(pause) : from;
            }
            killed.book(batch, until);
            if (chance.happens(0.3)) killed.kill();
        });
        killed.book({}, end_of(trial.run));
        same(at_once.books(), killed.books());
    });
}
