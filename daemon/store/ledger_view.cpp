#include "store/ledger_view.hpp"

#include <utility>

#include "store/database.hpp"
#include "store/entry_table.hpp"
#include "store/ledger_reads.hpp"
#include "store/register_table.hpp"
#include "store/schema.hpp"

namespace tickledger {
namespace {

class SqliteLedgerView final : public LedgerView {
public:
    explicit SqliteLedgerView(std::unique_ptr<Database> database);

    Result<void> begin() override { return database_->begin_read(); }
    void end() override { database_->roll_back(); }

    Result<std::vector<MeterRecord>> meters() override { return reads_.meters(); }
    Result<std::optional<MeterRecord>> meter(const std::string& id) override { return reads_.meter(id); }
    Result<std::optional<std::string>> fact(const std::string& name) override { return reads_.fact(name); }
    Result<std::optional<Row>> row(const RowKey& key) override { return reads_.row(key); }
    Result<void> entries(MeterKey meter, Span span, const std::function<bool(const Entry&)>& each) override;
    Result<std::vector<Entry>> unseen(MeterKey meter, Span span) override {
        return entries_.unseen(meter, span);
    }
    Result<std::vector<RegisterReading>> register_readings(MeterKey meter) override {
        return register_.readings(meter);
    }
    Result<std::vector<Refused>> refused(MeterKey meter, Span span) override;
    Result<RefusedCount> refused_count(MeterKey meter, Span span) override;
    Result<std::vector<AlarmRecord>> alarms(const std::optional<std::string>& meter,
                                            std::optional<AlarmState> state) override;
    Result<std::optional<AlarmRecord>> alarm(std::int64_t id) override;
    Result<std::vector<Undecided>> undecided(const std::optional<std::string>& meter) override;
    Result<std::int64_t> outbox_size() override { return database_->integer("SELECT count(*) FROM outbox"); }

private:
    std::unique_ptr<Database> database_;
    PackedReads packed_;
    LedgerReads reads_;
    EntryReads entries_;
    RegisterTable register_;
    Statement refused_, refused_count_, alarms_, alarm_, undecided_;
};

SqliteLedgerView::SqliteLedgerView(std::unique_ptr<Database> database)
    : database_(std::move(database)),
      packed_(*database_),
      reads_(*database_, packed_),
      entries_(*database_, packed_),
      register_(*database_),
      refused_(*database_,
               "SELECT meter, at_us, reason, topic, payload, text FROM refused"
               " WHERE meter = ?1 AND at_us > ?2 AND at_us <= ?3 ORDER BY at_us, id"),
      refused_count_(
          *database_,
          "SELECT (SELECT count(*) FROM refused WHERE meter = ?1) + coalesce(sum(messages), 0),"
          " coalesce(sum(messages) FILTER (WHERE hour * 3600000000 < ?3 AND (hour + 1) * 3600000000 > ?2), 0)"
          " FROM refused_left_out WHERE meter = ?1"),
      alarms_(*database_, "SELECT " ALARM_COLUMNS
                          ", m.id FROM alarm AS a JOIN meter AS m ON m.key = a.meter"
                          " WHERE (?1 IS NULL OR m.id = ?1) AND (?2 IS NULL OR a.state = ?2)"
                          " ORDER BY a.raised_us DESC, a.id DESC"),
      alarm_(*database_, "SELECT " ALARM_COLUMNS
                         ", m.id FROM alarm AS a JOIN meter AS m ON m.key = a.meter WHERE a.id = ?1"),
      undecided_(*database_,
                 "SELECT m.id, u.kind, u.from_us, u.to_us, u.text FROM undecided AS u"
                 " JOIN meter AS m ON m.key = u.meter WHERE ?1 IS NULL OR m.id = ?1"
                 " ORDER BY u.from_us DESC, m.id, u.kind") {}

Result<void> SqliteLedgerView::entries(MeterKey meter, Span span,
                                       const std::function<bool(const Entry&)>& each) {
    if (database_->in_transaction()) return entries_.touching(meter, span, each);
    // Several statements answer this: they must see one moment.
    if (auto begun = database_->begin_read(); !begun) return begun;
    auto read = entries_.touching(meter, span, each);
    database_->roll_back();
    return read;
}

Result<std::vector<Refused>> SqliteLedgerView::refused(MeterKey meter, Span span) {
    std::vector<Refused> found;
    Cursor cursor = refused_.run(meter, span.from, span.to);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        const auto reason = cursor.column(2, Refusal::unreadable);
        if (!reason) return tl::unexpected(reason.error());
        found.push_back({cursor.column<MeterKey>(0), cursor.column<Instant>(1), *reason,
                         cursor.column<std::string>(3), cursor.column<std::string>(4),
                         cursor.column<std::string>(5)});
    }
}

Result<RefusedCount> SqliteLedgerView::refused_count(MeterKey meter, Span span) {
    Cursor cursor = refused_count_.run(meter, span.from, span.to);
    const auto more = cursor.next();
    if (!more) return tl::unexpected(more.error());
    return RefusedCount{cursor.column<std::int64_t>(0), cursor.column<std::int64_t>(1)};
}

Result<std::vector<AlarmRecord>> SqliteLedgerView::alarms(const std::optional<std::string>& meter,
                                                          std::optional<AlarmState> state) {
    std::vector<AlarmRecord> found;
    Cursor cursor = alarms_.run(meter, state);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        auto alarm = alarm_of(cursor);
        if (!alarm) return tl::unexpected(alarm.error());
        found.push_back({cursor.column<std::string>(alarm_column_count), std::move(*alarm)});
    }
}

Result<std::optional<AlarmRecord>> SqliteLedgerView::alarm(std::int64_t id) {
    Cursor cursor = alarm_.run(id);
    const auto found = cursor.next();
    if (!found) return tl::unexpected(found.error());
    if (!*found) return std::nullopt;
    return alarm_of(cursor).map([&](Alarm alarm) {
        return std::optional(AlarmRecord{cursor.column<std::string>(alarm_column_count), std::move(alarm)});
    });
}

Result<std::vector<Undecided>> SqliteLedgerView::undecided(const std::optional<std::string>& meter) {
    std::vector<Undecided> found;
    Cursor cursor = undecided_.run(meter);
    for (;;) {
        const auto more = cursor.next();
        if (!more) return tl::unexpected(more.error());
        if (!*more) return found;
        const auto kind = cursor.column(1, static_cast<AlarmKind>(alarm_kind_count - 1));
        if (!kind) return tl::unexpected(kind.error());
        found.push_back({cursor.column<std::string>(0),
                         *kind,
                         {cursor.column<Instant>(2), cursor.column<Instant>(3)},
                         cursor.column<std::string>(4)});
    }
}

}  // namespace

Result<std::unique_ptr<LedgerView>> LedgerView::open(const std::filesystem::path& file) {
    auto database = Database::open(file, Database::Access::read);
    if (!database) return tl::unexpected(database.error());
    auto ready = (*database)->execute("PRAGMA query_only = ON").and_then([&] {
        return expect_up_to_date(**database);
    });
    if (!ready) return tl::unexpected(ready.error());
    return std::make_unique<SqliteLedgerView>(std::move(*database));
}

}  // namespace tickledger
