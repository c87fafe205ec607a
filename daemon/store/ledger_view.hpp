// The ledger as its readers see it: a read-only connection of its own, so that no question stalls booking.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "store/ledger.hpp"

namespace tickledger {

struct AlarmRecord {
    std::string meter;
    Alarm alarm;
};

struct Undecided {
    std::string meter;
    AlarmKind kind = AlarmKind::night_flow;
    Span window;
    std::string text;
};

/// How many messages of a meter were refused.
struct RefusedCount {
    std::int64_t in_all = 0;
    /// Of a span, those that are not kept any more. Counted by the hour: what touches the span is in it.
    std::int64_t left_out = 0;
};

/// Not safe to share between threads: one view a thread. All methods fail with the store's words.
class LedgerView {
public:
    /// Where this process writes the ledger, `is_in_place` tells whether the name still leads to that file.
    /// One that was put in its place must not be read: beside it SQLite would empty the index that the writer
    /// uses.
    [[nodiscard]] static Result<std::unique_ptr<LedgerView>> open(
        const std::filesystem::path& file, const std::function<bool()>& is_in_place = {});
    ~LedgerView();

    /// Whether the file's name still leads to what is read. False: open another.
    [[nodiscard]] bool is_in_place() const;
    /// From then on meters that the function does not show are not there: neither their records, by which
    /// alone all else is asked, nor their alarms. `outbox_size` tells of none.
    void show_only(std::function<bool(const std::string& meter)> shows);

    /// Until the matching end(), all answers come from one moment of the ledger.
    [[nodiscard]] Result<void> begin();
    void end();

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    [[nodiscard]] Result<std::optional<MeterRecord>> meter(const std::string& id);
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);
    /// Calls `each` for every entry that touches the span, in order of time; false ends it. All come from one
    /// moment. `each` may ask the view anything but for entries.
    [[nodiscard]] Result<void> entries(MeterKey meter, Span span,
                                       const std::function<bool(const Entry&)>& each);
    /// The same of entries in which ticks may have run unseen: restart, preset and lost ones.
    [[nodiscard]] Result<std::vector<Entry>> unseen(MeterKey meter, Span span);
    /// Readings of the register by eye, in order of time.
    [[nodiscard]] Result<std::vector<RegisterReading>> register_readings(MeterKey meter);
    /// History that overlaps a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> history(MeterKey meter, Span span);
    /// Where it begins; nothing: there is none.
    [[nodiscard]] Result<std::optional<Instant>> history_begin(MeterKey meter);
    [[nodiscard]] Result<std::vector<Refused>> refused(MeterKey meter, Span span);
    [[nodiscard]] Result<RefusedCount> refused_count(MeterKey meter, Span span);
    /// Newest first. Empty arguments: all.
    [[nodiscard]] Result<std::vector<AlarmRecord>> alarms(const std::optional<std::string>& meter,
                                                          std::optional<AlarmState> state);
    [[nodiscard]] Result<std::optional<AlarmRecord>> alarm(std::int64_t id);
    [[nodiscard]] Result<std::vector<Undecided>> undecided(const std::optional<std::string>& meter);
    [[nodiscard]] Result<std::int64_t> outbox_size();

private:
    struct Tables;
    explicit LedgerView(std::unique_ptr<Tables> tables);

    std::unique_ptr<Tables> tables_;
};

}  // namespace tickledger
