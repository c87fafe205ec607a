// A leak too small for one night: days of evidence, weighed as they come. docs/alarms.md derives it.
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "tickledger/entry.hpp"

namespace tickledger {

/// Weighs, for each of a ladder of leaks, whether the ticks that stand alone at night come like those of that
/// leak or like those of people: a sum of log likelihood ratios, held at zero from below once a night (Page's
/// CUSUM, 1954).
///
/// A leak that ticks each P (pulse value / flow) leaves no tick-free stretch longer than P, by day or by
/// night, and while nobody uses water its ticks come P apart. After a use the next one comes at any time
/// within P. People make lone ticks too, by chance; how often is learned from the house's own nights. As long
/// as they come no oftener than that, the exponential of each sum is a supermartingale, and by Lorden's
/// inequality (1971) there are on average at least `nights_between_false_alarms` nights before one.
///
/// Small, and pure: no clock, no storage, no allocation.
class SlowLeak {
public:
    /// The ladder's leaks tick so far apart, each so much farther than the one before.
    static constexpr Duration shortest_period = std::chrono::minutes{30};
    static constexpr double ladder_step = 1.25;
    static constexpr std::size_t rung_count = 11;
    /// A leak's ticks may come closer or farther than its period by this factor.
    static constexpr double wander = 1.25;
    /// A tick stands alone if this much stillness lies on either side of it.
    static constexpr Duration alone = std::chrono::minutes{20};
    /// With larger ticks a single use of people makes a lone tick: docs/alarms.md has the figures.
    static constexpr double largest_tick_l = 2.5;
    /// People's lone ticks while they sleep, before the house has shown its own: so many in so many hours.
    static constexpr double lone_assumed = 3;
    static constexpr double lone_assumed_h = 110;
    /// What it has shown fades by this factor with each night.
    static constexpr double fading = 0.99;
    /// By design: ten years.
    static constexpr double nights_between_false_alarms = 3650;

    /// A leak that was found.
    struct Finding {
        Duration period{};  ///< From tick to tick, about.
        Instant since{};    ///< When the evidence began.
        std::int64_t lone_ticks = 0;
        double log_likelihood_ratio = 0;
    };

    /// Adds the newest entry. True where it showed that a tick stood alone: there is new evidence.
    /// Adjustments are passed over. Precondition: entries come in order of time.
    bool add(const Entry& entry);
    /// Whether all that lies in the night at hand has been weighed once entries reach this moment: then it is
    /// time for the next one.
    [[nodiscard]] bool is_past_night(Instant t) const { return t >= night_.to + alone; }
    /// The next night. What spoke against a leak is forgotten, so that one that begins now is found.
    void begin_night(Span night);

    /// The leak whose evidence, of more than one night, has passed the threshold; the likeliest of several.
    [[nodiscard]] std::optional<Finding> finding() const;
    /// The stillness at hand is longer than a leak of this period ever leaves.
    [[nodiscard]] bool refutes(Duration period) const;
    [[nodiscard]] Span night() const { return night_; }
    /// Forgets all evidence: the alarm it led to is over.
    void forget(Instant at);

    bool operator==(const SlowLeak&) const = default;

    /// What is known of one leak of the ladder.
    struct Rung {
        double sum = 0;
        /// How surely the last lone tick was this leak's own, so that the next one's time is known.
        double phase_known = 0;
        Instant since{};
        std::int64_t lone_ticks = 0;
        bool operator==(const Rung&) const = default;
    };

    /// For keeping it across restarts.
    template <typename Archive>
    void fields(Archive&& archive) {
        archive("from", from_), archive("still_from", still_from_), archive("seen_to", seen_to_);
        archive("lone", lone_), archive("night", night_), archive("rungs", rungs_);
        archive("lone_count", lone_count_), archive("still_h", still_h_);
    }

private:
    void see_nothing_until(Instant t);
    void see_use(Span use);
    void settle_lone_tick();
    [[nodiscard]] double people_per_h() const;
    void weigh_stillness(Instant until);

    /// The night at hand, or the last one.
    Span night_{};
    /// The house's own lone ticks at night, in so many hours of stillness.
    double lone_count_ = 0;
    double still_h_ = 0;
    /// Where the wait for the next lone tick began: the end of a use, or a lone tick.
    Instant from_{};
    /// The stillness at hand is (still_from_, seen_to_].
    Instant still_from_{};
    Instant seen_to_{};
    /// A tick with stillness before it that has yet to see stillness after it.
    std::optional<Instant> lone_;
    std::array<Rung, rung_count> rungs_{};
};

}  // namespace tickledger
