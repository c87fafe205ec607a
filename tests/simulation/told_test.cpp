// The ticks that a node's messages reveal, compared with small cases worked out by hand.
#include "simulation/told.hpp"

#include <catch2/catch.hpp>

namespace tickledger::simulation {

namespace {

const Instant start = *parse_rfc3339("2026-08-12T00:00:00Z");

/// A count alone, saved every ten ticks.
NodeSettings count_alone() {
    NodeSettings settings;
    settings.tells_boot = settings.tells_seq = settings.tells_time = false;
    settings.checkpoint_ticks = 10;
    return settings;
}

/// A message sent `minutes` after the start in this boot, with the ticks counted so far and the count shown.
Sent sent(int minutes, std::uint64_t boot, std::int64_t counted, std::int64_t line) {
    Sent message;
    message.delivery.sent_at = message.delivery.message.arrived_at = start + std::chrono::minutes{minutes};
    message.delivery.boot = boot;
    message.delivery.counted = message.delivery.first_counted = counted;
    message.delivery.line = message.delivery.first_line = line;
    return message;
}

Told told_of(const NodeSettings& settings, const std::vector<PlannedTrouble>& troubles,
             const std::vector<Sent>& messages) {
    std::vector<const Sent*> heard;
    heard.reserve(messages.size());
    for (const Sent& message : messages)
        heard.push_back(&message);
    MeterSettings meter;
    meter.q3_l_per_h = {2'500, 1};
    return told_by_counts(settings, meter, troubles, heard);
}

std::int64_t least_of(const NodeSettings& settings, const std::vector<PlannedTrouble>& troubles,
                      const std::vector<Sent>& messages) {
    return told_of(settings, troubles, messages).least_ticks;
}

}  // namespace

TEST_CASE("told: after a fall among messages that waited, only ticks beyond the previous count are told") {
    // 3065, then a restart at 3060, which sends 3061 and 3067.
    const std::vector<Sent> messages{sent(0, 1, 966, 3065), sent(3, 2, 967, 3061), sent(6, 2, 967, 3061),
                                     sent(9, 2, 973, 3067), sent(12, 2, 978, 3072)};
    PlannedTrouble away;
    away.kind = Trouble::link_lost;
    away.at = start + std::chrono::minutes{1};
    away.length = std::chrono::hours{1};
    // If they came live, the second 3061 shows that the first was not a wrong reading: 1, 0, 6 and 5.
    CHECK(least_of(count_alone(), {}, messages) == 12);
    // Otherwise both may have been old messages that the broker kept: 3067 and 3072 are beyond 3065.
    CHECK(least_of(count_alone(), {away}, messages) == 7);
}

TEST_CASE("told: water that ran back over two restarts was told as water that ran forward") {
    // A register that keeps every tick and sends no boot: 500, then 499 and 498, each after a restart.
    NodeSettings settings = count_alone();
    settings.checkpoint_ticks = 1;
    const std::vector<Sent> messages{sent(0, 1, 500, 500), sent(3, 2, 499, 499), sent(6, 3, 498, 498)};
    CHECK(least_of(settings, {}, messages) == -2);
}

TEST_CASE("told: a fall in the very last message, which nothing confirms, had to be booked") {
    NodeSettings settings = count_alone();
    settings.checkpoint_ticks = 1;
    const Told told =
        told_of(settings, {}, {sent(0, 1, 500, 500), sent(3, 1, 499, 499), sent(6, 1, 498, 498)});
    CHECK(told.least_ticks == -2);
    CHECK(told.most_ticks == -1);
}

TEST_CASE("told: a boot field is believed even if the messages waited at the broker") {
    NodeSettings settings = count_alone();
    settings.tells_boot = true;
    PlannedTrouble away;
    away.kind = Trouble::link_lost;
    away.at = start;
    away.length = std::chrono::hours{1};
    const std::vector<Sent> messages{sent(0, 1, 966, 3065), sent(3, 2, 967, 3061), sent(6, 2, 973, 3067)};
    CHECK(least_of(settings, {away}, messages) == 7);
}

}  // namespace tickledger::simulation
