// A leak too small to show in one night: evidence of many days, weighed as it comes. docs/alarms.md derives
// the method.
#pragma once

#include <array>
#include <cstdint>
#include <optional>

#include "tickledger/entry.hpp"

namespace tickledger {

/// Weighs, for each of a ladder of leaks, whether the ticks that stand alone at night come as that leak makes
/// them or as people make them. The weight is a sum of log likelihood ratios, which is raised to zero once a
/// night if it is below (Page's CUSUM, 1954).
///
/// A leak that ticks once every P (pulse value / flow) leaves no tick-free stretch longer than P, by day or
/// by night. While nobody uses water, its ticks come P apart. After a use, the next one comes at any time
/// within P. People make lone ticks too, by chance; how often is learned from the house's own nights. As long
/// as people's come no more often than that, the exponential of each sum is a supermartingale. By Lorden's
/// inequality (1971) there are then on average at least `nights_between_false_alarms` nights before a false
/// alarm.
///
/// Small and pure: no clock, no storage, no allocation.
class SlowLeak {
public:
    /// The period between ticks of the fastest leak on the ladder. Each further period is longer by
    /// `ladder_step`.
    static constexpr Duration shortest_period = std::chrono::minutes{30};
    static constexpr double ladder_step = 1.25;
    static constexpr std::size_t rung_count = 11;
    /// A leak's ticks may be closer together or farther apart than its period by this factor.
    static constexpr double wander = 1.25;
    /// A tick stands alone if there is this much stillness on either side of it.
    static constexpr Duration alone = std::chrono::minutes{20};
    /// With larger ticks a single use makes a lone tick; docs/alarms.md has the figures.
    static constexpr double largest_tick_l = 2.5;
    /// People's lone ticks while they sleep, assumed until the house has shown its own: this many in
    /// `lone_assumed_h`.
    static constexpr double lone_assumed = 3;
    static constexpr double lone_assumed_h = 110;
    /// What the house has shown fades by this factor every night.
    static constexpr double fading = 0.99;
    /// Ten years, by design.
    static constexpr double nights_between_false_alarms = 3650;

    /// A leak that was found.
    struct Finding {
        Duration period{};  ///< Approximate time from tick to tick.
        Instant since{};    ///< When the evidence began.
        std::int64_t lone_ticks = 0;
        double log_likelihood_ratio = 0;
    };

    /// Adds the newest entry. True if it showed that a tick stood alone, which is new evidence. Adjustments
    /// are passed over. Precondition: entries come in order of time.
    bool add(const Entry& entry);
    /// Whether the whole present night has been weighed once entries reach this moment. Then it is time for
    /// the next one.
    [[nodiscard]] bool is_past_night(Instant t) const { return t >= night_.to + alone; }
    /// Starts the next night. Evidence against a leak is forgotten, so that one that begins now is found.
    void begin_night(Span night);

    /// The leak whose evidence, of more than one night, has passed the threshold. Of several, the likeliest.
    [[nodiscard]] std::optional<Finding> finding() const;
    /// The present stillness is longer than a leak of this period ever leaves.
    [[nodiscard]] bool refutes(Duration period) const;
    [[nodiscard]] Span night() const { return night_; }
    /// Forgets all evidence, because the alarm it led to is over.
    void forget(Instant at);

    bool operator==(const SlowLeak&) const = default;

    /// What is known of one leak of the ladder.
    struct Rung {
        double sum = 0;
        /// How surely the last lone tick was this leak's own. If it was, the time of the next one is known.
        double phase_known = 0;
        Instant since{};
        std::int64_t lone_ticks = 0;
        bool operator==(const Rung&) const = default;
    };

    /// In the order in which ledgers store them: see book/memory_fields.hpp.
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

    /// The present night, or the last one.
    Span night_{};
    /// The house's own lone ticks at night, and the hours of stillness in which they came.
    double lone_count_ = 0;
    double still_h_ = 0;
    /// When the wait for the next lone tick began: at the end of a use, or at a lone tick.
    Instant from_{};
    /// The present stillness is (still_from_, seen_to_].
    Instant still_from_{};
    Instant seen_to_{};
    /// A tick with stillness before it that needs stillness after it to stand alone.
    std::optional<Instant> lone_;
    std::array<Rung, rung_count> rungs_{};
};

}  // namespace tickledger
