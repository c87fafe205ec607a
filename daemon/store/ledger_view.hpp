// The ledger as its readers see it: a read-only connection of its own, so that no query stalls booking.
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
    /// How many in a span are no longer kept. They are counted by the hour, so each hour that touches the
    /// span is included.
    std::int64_t left_out = 0;
};

/// Not thread-safe: use one view per thread. All methods fail with a sentence about the store.
class LedgerView {
public:
    /// If this process writes the ledger, `is_in_place` says whether the name still leads to the written
    /// file. A file that was put in its place must not be read: SQLite would empty the index beside it, which
    /// the writer uses.
    [[nodiscard]] static Result<std::unique_ptr<LedgerView>> open(
        const std::filesystem::path& file, const std::function<bool()>& is_in_place = {});
    ~LedgerView();

    /// Whether the file's name still leads to the file that is read. False: open another view.
    [[nodiscard]] bool is_in_place() const;
    /// From now on hides the meters for which `shows` is false: their alarms, and their records, without
    /// which nothing else can be asked about them. `outbox_size` is then 0.
    void show_only(std::function<bool(const std::string& meter)> shows);

    /// Until the matching end(), all answers come from one moment of the ledger.
    [[nodiscard]] Result<void> begin();
    void end();

    [[nodiscard]] Result<std::vector<MeterRecord>> meters();
    [[nodiscard]] Result<std::optional<MeterRecord>> meter(const std::string& id);
    [[nodiscard]] Result<std::optional<std::string>> fact(const std::string& name);
    [[nodiscard]] Result<std::optional<Row>> row(const RowKey& key);
    /// Calls `each` for every entry that touches the span, in order of time. `each` returns false to stop.
    /// All entries come from one moment. `each` may ask the view for anything but entries.
    [[nodiscard]] Result<void> entries(MeterKey meter, Span span,
                                       const std::function<bool(const Entry&)>& each);
    /// The same for entries in which ticks may have run unseen: restart, preset and lost ones.
    [[nodiscard]] Result<std::vector<Entry>> unseen(MeterKey meter, Span span);
    /// Readings of the register by eye, in order of time.
    [[nodiscard]] Result<std::vector<RegisterReading>> register_readings(MeterKey meter);
    /// History that overlaps a span, in order of time.
    [[nodiscard]] Result<std::vector<HistoryEntry>> history(MeterKey meter, Span span);
    /// Where the history begins; nothing if there is none.
    [[nodiscard]] Result<std::optional<Instant>> history_begin(MeterKey meter);
    [[nodiscard]] Result<std::vector<Refused>> refused(MeterKey meter, Span span);
    [[nodiscard]] Result<RefusedCount> refused_count(MeterKey meter, Span span);
    /// Newest first. An empty argument selects all.
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
