// GET /v1/meters/{id}/ledger: all entries of a span, and the messages that were refused.
#include <fmt/format.h>

#include "core/json_writer.hpp"
#include "serve/call.hpp"

namespace tickledger {

namespace {

constexpr int entries_in_a_part = 500;

std::string describe(const Entry& entry, const CivilZone& zone) {
    JsonObject object;
    object.text("from", zone.format(entry.span.from));
    object.text("to", zone.format(entry.span.to));
    if (entry.ticks_known()) {
        object.whole("ticks", entry.ticks);
    } else {
        object.null("ticks");
    }
    object.text("kind", name_of(entry.kind));
    object.raw("unseen_max", entry.unseen_max ? std::to_string(*entry.unseen_max) : "null");
    if (entry.time_estimated) object.flag("placed", true);
    return std::move(object).finish();
}

std::string describe(const Refused& refused, const CivilZone& zone) {
    JsonObject object;
    object.text("at", zone.format(refused.at));
    object.text("reason", name_of(refused.reason));
    object.text("topic", refused.topic);
    object.text("payload", refused.payload);
    object.text("text", refused.text);
    return std::move(object).finish();
}

// Writes the answer in parts.
class LedgerAnswer {
public:
    LedgerAnswer(const Call& call, std::shared_ptr<LedgerView> view, FoundMeter meter, Span span,
                 std::optional<Entry> held)
        : partwise_(call, std::move(view)),
          zone_(call.parts.zone),
          meter_(std::move(meter)),
          span_(span),
          rest_(span),
          held_(held) {}

    Result<bool> operator()(std::string& chunk) {
        return partwise_.part([&](LedgerView& view) { return write_part(view, chunk); });
    }

private:
    Result<bool> write_part(LedgerView& view, std::string& chunk) {
        if (!std::exchange(begun_, true)) chunk = "{\"meter\":" + json_string(meter_.id) + ",\"entries\":[";
        const auto more = add_entries(view, chunk);
        if (!more || *more) return more;
        if (held_ && held_->span.to > span_.from && held_->span.from < span_.to)
            add(chunk, describe(*held_, zone_));
        chunk += "],\"refused\":[";
        is_first_ = true;
        if (auto added = add_refused(view, chunk); !added) return tl::unexpected(added.error());
        RefusedCount count;
        if (meter_.record) {
            const auto counted = view.refused_count(meter_.record->key, span_);
            if (!counted) return tl::unexpected(counted.error());
            count = *counted;
        }
        chunk +=
            fmt::format("],\"refused_left_out\":{},\"refused_in_all\":{}}}\n", count.left_out, count.in_all);
        return false;
    }

    void add(std::string& chunk, const std::string& object) {
        if (!std::exchange(is_first_, false)) chunk += ',';
        chunk += object;
    }

    // Entries come in order of the end of their spans. So a part can stop between two ends, and the next part
    // continues after the last end that was written. Spans follow one another, so no entry is written twice
    // even if the next part reads a later moment of the ledger.
    Result<bool> add_entries(LedgerView& view, std::string& chunk) {
        if (!meter_.record) return false;
        int written = 0;
        bool is_more = false;
        Instant shown_to = rest_.from;
        auto read = view.entries(meter_.record->key, rest_, [&](const Entry& entry) {
            if (entry.span.to <= rest_.from) return true;
            if (written >= entries_in_a_part && entry.span.to > shown_to) {
                is_more = true;
                return false;
            }
            add(chunk, describe(entry, zone_));
            shown_to = entry.span.to;
            ++written;
            return true;
        });
        if (!read) return tl::unexpected(read.error());
        rest_.from = shown_to;
        return is_more;
    }

    Result<void> add_refused(LedgerView& view, std::string& chunk) {
        if (!meter_.record) return {};
        const auto refused = view.refused(meter_.record->key, span_);
        if (!refused) return tl::unexpected(refused.error());
        for (const Refused& one : *refused)
            add(chunk, describe(one, zone_));
        return {};
    }

    PartwiseView partwise_;
    CivilZone zone_;
    FoundMeter meter_;
    Span span_;
    Span rest_;
    std::optional<Entry> held_;
    bool begun_ = false;
    bool is_first_ = true;
};

}  // namespace

Response get_ledger(const Call& call) {
    const auto span = call.span(std::chrono::hours{24});
    if (!span) return span.error();
    const auto view = call.fresh_view();
    if (!view) return view.error();
    const auto meter = find_meter(call, **view);
    if (!meter) return meter.error();
    std::optional<Entry> held;
    if (meter->record) {
        auto summary = call.parts.summarise(*meter->record, *meter->settings);
        if (!summary) return ledger_problem(summary.error());
        held = summary->held;
    }
    Response response;
    response.chunks = LedgerAnswer(call, *view, *meter, *span, held);
    return response;
}

}  // namespace tickledger
