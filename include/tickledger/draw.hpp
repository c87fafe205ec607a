// Draws: single uses of water, from tap open to tap closed, found in the entries.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/entry.hpp"

namespace tickledger {

/// What the water was probably used for. A washer is any machine that fills several times. A hose is any use
/// outside: cans, cars, lawns.
enum class DrawLabel : std::uint8_t { flush, shower, tap, washer, bath, hose, leak, unknown };
inline constexpr int draw_label_count = 8;

[[nodiscard]] std::string_view name_of(DrawLabel label);
[[nodiscard]] std::optional<DrawLabel> draw_label_named(std::string_view name);

/// One use of water.
struct Draw {
    /// From tap open to tap closed, as near as the ticks show.
    Span span;
    std::int64_t ticks = 0;
    /// 0 if unknown: a single tick shows no flow.
    double mean_flow_l_per_h = 0;
    double peak_flow_l_per_h = 0;
    /// How blurred `span` is at either end: the longest stretch in which one of its ticks may lie.
    Duration blur{};
    /// It ran beside another draw, and a step of the flow separated the two.
    bool overlaps = false;
    /// How many times water ran in it: the fills of a machine, or a shower with the tap closed for soap.
    std::int32_t parts = 1;
    DrawLabel label = DrawLabel::unknown;
    /// The probability of the label among all labels, by the method of label_draws(): 0 to 1.
    double confidence = 0;
    /// A person said what it was. The confidence is then 1.
    bool told = false;
    /// The person's own name for it or for uses like it. Empty if there is none.
    std::string name{};
};

/// What a person said of a use. Its volume and flow are kept as they were seen then. So it still teaches
/// about uses like it after its entries are gone.
struct ToldDraw {
    Instant at{};  ///< A moment within the use.
    DrawLabel label = DrawLabel::unknown;
    std::string name{};  ///< Empty if there is none.
    std::int64_t volume_ul = 0;
    std::int64_t flow_ml_per_h = 0;  ///< 0 if it was not known.
    bool operator==(const ToldDraw&) const = default;
};

/// The longest name that a person may give to a use, in bytes.
inline constexpr std::size_t draw_name_max = 60;

/// Finds the draws. Their ticks add up to those of the entries. Adjustments are left out, because nobody saw
/// them run.
///
/// An open tap runs at LongDraw::open_l_per_h or more. A longer pause between two ticks means that it was
/// closed. Within a run of ticks, the flow is described by as few straight lines as fit the times of the
/// ticks. A step up that lasts is another use that began. A step down is the end of the use whose flow it
/// matches.
///
/// No draw goes on over one of the `cuts`. Each tick is on one side of them by itself, whatever other entries
/// are looked at. So the draws between two cuts have the same ticks with any surroundings.
///
/// Preconditions: entries of one meter in order of time; pulse_value_l > 0; cuts in order of time.
[[nodiscard]] std::vector<Draw> draws_in(std::span<const Entry> entries, double pulse_value_l,
                                         std::span<const Instant> cuts = {});

/// What is known of a house besides its draws.
struct DrawHints {
    /// What people said of uses. It counts for those uses and for uses like them, before and after.
    std::span<const ToldDraw> told{};
    /// The only labels that uses can have, unless a person said otherwise. Empty: any. A leak is no use, so
    /// it is always possible.
    std::span<const DrawLabel> uses{};
    /// As for draws_in(). Draws on two sides of a cut are never joined.
    std::span<const Instant> cuts{};
};

/// Labels draws by the published end uses of household water and by the house's own recurring uses. The
/// volume and flow of its cistern, the flow of its shower and the fills of its machines are learned from the
/// given draws, so more days give better labels. docs/draws.md describes the method and how well it does.
///
/// Preconditions: draws in order of time, of one meter with this pulse value, found with the same cuts.
void label_draws(std::vector<Draw>& draws, double pulse_value_l, const DrawHints& hints = {});

}  // namespace tickledger
