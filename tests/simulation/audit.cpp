#include "simulation/audit.hpp"

#include <algorithm>
#include <numeric>
#include <set>
#include <unordered_set>

#include "book/account.hpp"
#include "simulation/world.hpp"

namespace tickledger::simulation {

namespace {

constexpr const char* rebuilt_file = "/store/rebuilt.db";

std::uint64_t mask_of(int bits) {
    return bits == 0 ? ~std::uint64_t{0} : (std::uint64_t{1} << bits) - 1;
}

std::int64_t ticks_in(const std::vector<Instant>& ticks, Span span) {
    return std::upper_bound(ticks.begin(), ticks.end(), span.to) -
           std::upper_bound(ticks.begin(), ticks.end(), span.from);
}

std::string words(const Entry& entry) {
    return std::string(name_of(entry.kind)) + " " + format_utc(entry.span.from) + " to " +
           format_utc(entry.span.to) + " " + std::to_string(entry.ticks) + " ticks, counts " +
           std::to_string(entry.begin_count) + " to " + std::to_string(entry.end.count) +
           (entry.time_estimated ? ", placed" : "");
}

std::int64_t ticks_of(const MeterBooks& books) {
    return std::accumulate(books.entries.begin(), books.entries.end(), std::int64_t{0},
                           [](std::int64_t sum, const Entry& entry) { return sum + entry.ticks; });
}

}  // namespace

Audit::Audit(const Plan& plan, const DaemonSettings& settings, Machine& machine,
             const std::vector<Sent>& sent, const std::vector<Line>& lines)
    : plan_(plan), settings_(settings), machine_(machine), sent_(sent), lines_(lines) {}

void Audit::fail_with(const std::string& meter, const std::string& what) {
    if (!failure_) failure_ = meter + ": " + what;
}

void Audit::check_books() {
    auto books = Books::read(machine_.vfs().name(), ledger_file);
    if (!books) return fail_with("ledger", books.error().text);
    books_ = std::move(*books);
    for (const MeterBooks& meter : books_->meters()) {
        const auto index = static_cast<std::uint32_t>(std::stoul(meter.id.substr(meter.id.find('-') + 1)));
        check_meter(index, meter);
    }
}

void Audit::check_meter(std::uint32_t node, const MeterBooks& books) {
    const bool was_right = !failure_;
    check_conservation(books);
    check_total(node, books);
    check_entries(node, books);
    if (was_right && failure_) {
        *failure_ += "\n  " + words(plan_.nodes[node]);
        if (std::getenv("TICKLEDGER_SHOW_BOOKS")) {
            for (const Entry& entry : books.entries)
                *failure_ += "\n  " + words(entry);
            for (const Line& line : lines_) {
                if (line.sent == Line::no_message || sent_[line.sent].node != node) continue;
                const Message& message = sent_[line.sent].delivery.message;
                *failure_ += "\n  " + format_utc(message.arrived_at) + " " + message.payload;
            }
            for (const auto& refused : books.refused)
                *failure_ += "\n  refused " + std::to_string(refused.reason) + refused.payload;
        }
    }
}

void Audit::check_conservation(const MeterBooks& books) {
    const std::int64_t booked = ticks_of(books);
    const std::int64_t total = books.state.empty() ? 0 : memory_from_record(books.state).value().total_ticks;
    if (total != booked) {
        fail_with(books.id, "the entries hold " + std::to_string(booked) + " ticks, the register advanced " +
                                std::to_string(total));
    }
    for (std::size_t step = 0; step < books.row_ticks.size(); ++step) {
        if (books.row_ticks[step] != booked) {
            fail_with(books.id, "the entries hold " + std::to_string(booked) + " ticks, the rows of step " +
                                    std::to_string(step) + " hold " + std::to_string(books.row_ticks[step]));
        }
    }
}

/// Without a boot field a fall seen at a false time looks like a restart, and nothing tells it from one. A
/// preset can not be told either where it is to a count that the water could have reached, or where only
/// messages that had waited and tell no time were heard of it: those that fall are taken for repeats.
bool Audit::is_undecidable(const PlannedNode& planned, const MeterBooks& books) const {
    const NodeSettings& node = planned.settings;
    if (node.message == MessageForm::senml && may_lose_time()) return true;
    if (planned.story.presets.empty()) return false;
    const auto found = std::count_if(books.entries.begin(), books.entries.end(),
                                     [](const Entry& entry) { return entry.kind == EntryKind::preset; });
    return !node.tells_time || static_cast<std::size_t>(found) != planned.story.presets.size();
}

/// Where the times that are booked may lie closer together than the water ran, gains may seem impossible.
bool Audit::may_lose_time() const {
    return plan_.steps_clock || plan_.has_no_clock_battery;
}

Audit::Expected Audit::expected_count(std::uint32_t node) const {
    const NodeSettings& settings = plan_.nodes[node].settings;
    const std::uint64_t mask = mask_of(settings.counter_bits);
    const bool is_ordered = plan_.nodes[node].certainty == Certainty::ordered;
    Expected expected;
    const Sent* last = nullptr;
    std::set<std::uint64_t> left_boots;
    for (const Line& line : lines_) {
        if (line.sent == Line::no_message || sent_[line.sent].node != node) continue;
        const Sent& now = sent_[line.sent];
        expected.has_messages = true;
        if (last) {
            const Delivery& from = last->delivery;
            const Delivery& to = now.delivery;
            const bool same_boot = from.boot == to.boot || !is_ordered;
            const bool is_old = same_boot ? (is_ordered ? to.seq <= from.seq : to.count <= from.count)
                                          : left_boots.contains(to.boot);
            // A retained copy that falls is ignored, whatever its boot.
            if (is_old || (line.retained && to.count < from.count)) continue;
            if (now.presets_before == last->presets_before) {
                std::uint64_t begin = from.count;
                if (!same_boot) {
                    const bool is_ahead = ((to.count - from.count) & mask) <= mask / 2;
                    begin = settings.tells_saved            ? to.saved
                            : settings.checkpoint_ticks > 0 ? to.count - to.count % settings.checkpoint_ticks
                            : is_ahead                      ? from.count
                                                            : 0;
                    if (((from.count - begin) & mask) > mask / 2) begin = from.count;
                }
                expected.ticks += static_cast<std::int64_t>((to.count - begin) & mask);
            }
            if (!same_boot) left_boots.insert(from.boot);
        } else {
            expected.ticks =
                static_cast<std::int64_t>((now.delivery.count - now.delivery.first_count) & mask);
        }
        last = &now;
    }
    return expected;
}

Audit::Expected Audit::expected_pulses(std::uint32_t node, const MeterBooks& books) const {
    std::unordered_set<std::string_view> refused;
    for (const MeterBooks::Refused& one : books.refused)
        refused.insert(one.payload);
    Expected expected;
    std::set<std::pair<std::uint64_t, std::uint64_t>> seen;
    for (const Line& line : lines_) {
        if (line.sent == Line::no_message || sent_[line.sent].node != node) continue;
        const Delivery& said = sent_[line.sent].delivery;
        expected.has_messages = true;
        if (!seen.insert({said.boot, said.seq}).second || refused.contains(said.message.payload)) continue;
        expected.ticks += static_cast<std::int64_t>(said.count);
    }
    return expected;
}

void Audit::check_total(std::uint32_t node, const MeterBooks& books) {
    const PlannedNode& planned = plan_.nodes[node];
    if (planned.certainty == Certainty::vague || is_undecidable(planned, books)) return;
    const bool is_pulses = planned.settings.message == MessageForm::pulses;
    const Expected expected = is_pulses ? expected_pulses(node, books) : expected_count(node);
    const std::int64_t booked = ticks_of(books);
    if (booked == expected.ticks) return;
    std::int64_t skipped = 0;
    for (const Entry& entry : books.entries) {
        if (entry.kind == EntryKind::preset) {
            skipped += static_cast<std::int64_t>((entry.end.count - entry.begin_count) &
                                                 mask_of(planned.settings.counter_bits));
        }
    }
    if (may_lose_time()) {
        const bool is_explained = booked + skipped == expected.ticks || !planned.story.power_cuts.empty() ||
                                  !planned.story.presets.empty();
        if (is_explained && booked <= expected.ticks) return;
    }
    fail_with(books.id, "the messages tell " + std::to_string(expected.ticks) + " ticks, booked are " +
                            std::to_string(booked) + " (" + std::to_string(skipped) +
                            " passed over as presets, " + std::to_string(books.refused.size()) +
                            " messages refused)");
}

void Audit::check_entries(std::uint32_t node, const MeterBooks& books) {
    const PlannedNode& planned = plan_.nodes[node];
    const bool is_pulses = planned.settings.message == MessageForm::pulses;
    const bool knows_times =
        planned.tells_true_time && !may_lose_time() && !is_undecidable(planned, books) &&
        (planned.certainty == Certainty::ordered || planned.story.power_cuts.empty()) &&
        !(is_pulses && (!planned.story.silences.empty() || !planned.story.delays.empty() ||
                        !planned.story.overtaken.empty()));
    const Entry* before = nullptr;
    for (const Entry& entry : books.entries) {
        if (before && entry.span.from != before->span.to && entry.span.length() > Duration{0}) {
            fail_with(books.id, "entries overlap or leave a gap: " + words(*before) + "; " + words(entry));
        }
        before = &entry;
        if (!knows_times || entry.time_estimated) continue;
        const std::int64_t ran = ticks_in(planned.ticks, entry.span);
        const bool is_right = entry.kind == EntryKind::measured ? entry.ticks == ran
                              : entry.kind == EntryKind::restart
                                  ? entry.ticks <= ran && static_cast<std::uint64_t>(ran - entry.ticks) <=
                                                              entry.unseen_max.value_or(0)
                                  : true;
        if (!is_right) fail_with(books.id, std::to_string(ran) + " ticks ran in " + words(entry));
    }
}

void Audit::check_rebuilding(Instant until) {
    if (failure_) return;
    {
        auto ledger = Ledger::open(rebuilt_file, machine_.vfs().name());
        auto log = MessageLog::open(machine_.files(), messages_directory);
        if (!ledger || !log) return fail_with("rebuilding", "the store can not be opened");
        Bookkeeper bookkeeper(settings_.meters, settings_.zone, **ledger, Publishing::last_state,
                              settings_.meters.size());
        if (!bookkeeper.load()) return fail_with("rebuilding", "the accounts can not be loaded");
        LogSource source(machine_.files(), messages_directory, **log, LogPosition{});
        Engine engine(**ledger, bookkeeper, source, LogPosition{}, {}, [](Level, const std::string&) {});
        while (engine.step(until) == Engine::Step::more) {
        }
        if (!engine.trouble().empty()) return fail_with("rebuilding", engine.trouble());
    }
    const auto rebuilt = Books::read(machine_.vfs().name(), rebuilt_file);
    if (!rebuilt) return fail_with("rebuilding", rebuilt.error().text);
    if (const auto difference = Books::difference(*books_, *rebuilt)) {
        fail_with("the log, booked at once, gives another ledger", *difference);
    }
}

void Audit::check_repeats(const SimClock& clock, Chance& chance) {
    if (failure_ || lines_.empty()) return;
    {
        auto daemon = SimDaemon::start(machine_, settings_, clock);
        if (!daemon) return fail_with("repeats", daemon.error().text);
        for (int left = 50; left > 0; --left) {
            const Line& line = lines_[chance.below(lines_.size())];
            if (line.sent == Line::no_message) continue;
            const Sent& sent = sent_[line.sent];
            const NodeSettings& node = plan_.nodes[sent.node].settings;
            if (!node.tells_boot || !node.tells_seq || node.message == MessageForm::senml) continue;
            Message message = sent.delivery.message;
            message.redelivered = true;
            for (auto times = 1 + chance.below(3); times > 0; --times)
                (void)(*daemon)->accept(message);
            if (chance.happens(0.1)) (void)(*daemon)->book_all();
        }
        if ((*daemon)->book_all() != Engine::Step::done)
            return fail_with("repeats", (*daemon)->engine().trouble());
    }
    const auto after = Books::read(machine_.vfs().name(), ledger_file);
    if (!after) return fail_with("repeats", after.error().text);
    if (const auto difference = Books::difference(*books_, *after)) {
        fail_with("messages that were delivered again changed the ledger", *difference);
    }
}

}  // namespace tickledger::simulation
