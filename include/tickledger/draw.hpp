// Draws: single uses of water, from tap open to tap closed, read out of the entries.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/entry.hpp"

namespace tickledger {

/// What the water was probably used for. A washer is any machine that fills several times; a hose is any
/// water outside: cans, cars, lawns.
enum class DrawLabel : std::uint8_t { flush, shower, tap, washer, bath, hose, leak, unknown };
inline constexpr int draw_label_count = 8;

[[nodiscard]] std::string_view name_of(DrawLabel label);
[[nodiscard]] std::optional<DrawLabel> draw_label_named(std::string_view name);

/// One use of water.
struct Draw {
    /// From open to closed, as near as the ticks tell.
    Span span;
    std::int64_t ticks = 0;
    /// 0 where a single tick tells no flow.
    double mean_flow_l_per_h = 0;
    double peak_flow_l_per_h = 0;
    /// The longest stretch in which one of its ticks may lie: how blurred `span` is, on either side.
    Duration blur{};
    /// It ran beside another one, and was told apart by a step of the flow.
    bool overlaps = false;
    /// How many times water ran in it: a machine's fills, a shower with the tap closed for soap.
    std::int32_t parts = 1;
    DrawLabel label = DrawLabel::unknown;
    /// How probable the label is among all labels, by the method of label_draws(): 0 to 1.
    double confidence = 0;
    /// A person said what it was; the confidence is 1 then.
    bool told = false;
    /// The person's own name for it, or for uses like it. Empty: none.
    std::string name{};
};

/// What a person said of a use. Its volume and flow are kept as they were seen then, so that it teaches the
/// house's like even after its entries are gone.
struct ToldDraw {
    Instant at{};  ///< A moment in it.
    DrawLabel label = DrawLabel::unknown;
    std::string name{};  ///< Empty: none.
    std::int64_t volume_ul = 0;
    std::int64_t flow_ml_per_h = 0;  ///< 0: it was not known.
    bool operator==(const ToldDraw&) const = default;
};

/// How long a person's own name for a use may be, in bytes.
inline constexpr std::size_t draw_name_max = 60;

/// Finds the draws. The ticks of all draws add up to the entries' (those of adjustments apart, which were
/// never seen to run).
///
/// An open tap runs at least at LongDraw::open_l_per_h; a longer pause between two ticks means that it was
/// closed. Within a run of ticks the flow is followed as few straight lines as fit the ticks' times; a step
/// up that lasts is another use that began, a step down the end of the one whose flow it is.
///
/// Preconditions: entries of one meter in order of time; pulse_value_l > 0.
[[nodiscard]] std::vector<Draw> draws_in(std::span<const Entry> entries, double pulse_value_l);

/// Labels draws by what a house's water is used for (published end uses) and by the house's own recurring
/// uses: the volume and flow of its cistern, the flow of its shower, the fills of its machines are learned
/// from the draws at hand, so the more days they span the better. docs/draws.md has the method and what it
/// reaches.
///
/// What people told counts for the uses that they told of, and for those like them, before and after.
/// Precondition: draws in order of time, of one meter with this pulse value.
void label_draws(std::vector<Draw>& draws, double pulse_value_l, std::span<const ToldDraw> told = {});

}  // namespace tickledger
