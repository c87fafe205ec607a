#include "book/history_rules.hpp"

#include <fmt/format.h>

#include <algorithm>

namespace tickledger {

Instant history_end(Instant first_at, const CivilZone& zone) {
    // What ends at midnight belongs to the day before.
    return zone.row_at(Step::day, {}, first_at - Duration{1}).from;
}

Result<void> judge_history_name(const std::string& import) {
    const auto is_control = [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7F; };
    if (import.empty()) return fail("An import needs a name, so that it can be undone.");
    if (import.size() > history_name_max_bytes)
        return fail(fmt::format("The name of an import has at most {} bytes.", history_name_max_bytes));
    if (std::ranges::any_of(import, is_control))
        return fail("The name of an import is one line of plain text.");
    return {};
}

Result<std::vector<HistoryEntry>> history_entries(const std::string& import,
                                                  std::span<const HistoryPoint> points, Instant end,
                                                  const CivilZone& zone) {
    if (auto judged = judge_history_name(import); !judged) return tl::unexpected(judged.error());
    if (points.size() < 2) return fail("Give at least two readings: the volume is their difference.");
    if (points.size() > history_points_max)
        return fail(
            fmt::format("At most {} readings are accepted at once. Send them in parts, and begin each part "
                        "with the last reading of the part before it.",
                        history_points_max));
    if (points.back().at - points.front().at > history_piece_max)
        return fail(
            fmt::format("At most {} days are accepted at once. Send them in parts, and begin each part "
                        "with the last reading of the part before it.",
                        history_piece_max.count()));
    std::vector<HistoryEntry> entries;
    entries.reserve(points.size() - 1);
    for (std::size_t i = 1; i < points.size(); ++i) {
        const HistoryPoint& before = points[i - 1];
        const HistoryPoint& after = points[i];
        if (after.at <= before.at)
            return fail(fmt::format(
                "The readings are not in order of time: that of {} stands after that of {}. Sort them.",
                zone.format(after.at), zone.format(before.at)));
        if (after.ticks < before.ticks || before.ticks < 0)
            return fail(
                fmt::format("The register runs backwards between {} and {}. Leave these two readings out, "
                            "or send the later readings separately.",
                            zone.format(before.at), zone.format(after.at)));
        if (after.at > end) continue;
        entries.push_back({{before.at, after.at}, after.ticks - before.ticks, import});
    }
    return entries;
}

Result<std::vector<HistoryEntry>> history_news(const std::vector<HistoryEntry>& entries,
                                               const std::vector<HistoryEntry>& booked,
                                               const CivilZone& zone) {
    std::vector<HistoryEntry> news;
    auto next = booked.begin();
    for (const HistoryEntry& entry : entries) {
        while (next != booked.end() && next->span.to <= entry.span.from)
            ++next;
        if (next == booked.end() || next->span.from >= entry.span.to) {
            news.push_back(entry);
        } else if (*next != entry) {
            return fail(
                fmt::format("The import \"{2}\" already covers {0} to {1}. Undo that one "
                            "first, or leave these readings out.",
                            zone.format(next->span.from), zone.format(next->span.to), next->import));
        }
    }
    return news;
}

}  // namespace tickledger
