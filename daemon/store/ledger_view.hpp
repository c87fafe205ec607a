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
    [[nodiscard]] static Result<std::unique_ptr<LedgerView>> open(const std::filesystem::path& file);
    virtual ~LedgerView() = default;

    /// Until the matching end(), all answers come from one moment of the ledger.
    [[nodiscard]] virtual Result<void> begin() = 0;
    virtual void end() = 0;

    [[nodiscard]] virtual Result<std::vector<MeterRecord>> meters() = 0;
    [[nodiscard]] virtual Result<std::optional<MeterRecord>> meter(const std::string& id) = 0;
    [[nodiscard]] virtual Result<std::optional<std::string>> fact(const std::string& name) = 0;
    [[nodiscard]] virtual Result<std::optional<Row>> row(const RowKey& key) = 0;
    /// Calls `each` for every entry that touches the span, in order of time; false ends it. All come from one
    /// moment. `each` may ask the view anything but for entries.
    [[nodiscard]] virtual Result<void> entries(MeterKey meter, Span span,
                                               const std::function<bool(const Entry&)>& each) = 0;
    /// The same of entries in which ticks may have run unseen: restart, preset and lost ones.
    [[nodiscard]] virtual Result<std::vector<Entry>> unseen(MeterKey meter, Span span) = 0;
    /// Readings of the register by eye, in order of time.
    [[nodiscard]] virtual Result<std::vector<RegisterReading>> register_readings(MeterKey meter) = 0;
    [[nodiscard]] virtual Result<std::vector<Refused>> refused(MeterKey meter, Span span) = 0;
    [[nodiscard]] virtual Result<RefusedCount> refused_count(MeterKey meter, Span span) = 0;
    /// Newest first. Empty arguments: all.
    [[nodiscard]] virtual Result<std::vector<AlarmRecord>> alarms(const std::optional<std::string>& meter,
                                                                  std::optional<AlarmState> state) = 0;
    [[nodiscard]] virtual Result<std::optional<AlarmRecord>> alarm(std::int64_t id) = 0;
    [[nodiscard]] virtual Result<std::vector<Undecided>> undecided(
        const std::optional<std::string>& meter) = 0;
    [[nodiscard]] virtual Result<std::int64_t> outbox_size() = 0;
};

}  // namespace tickledger
