#include "simulation/audit.hpp"

#include <algorithm>
#include <numeric>
#include <utility>

#include "book/account.hpp"
#include "simulation/world.hpp"

namespace tickledger::simulation {

namespace {

constexpr const char* rebuilt_file = "/store/rebuilt.db";

std::int64_t ticks_in(const std::vector<Instant>& ticks, Span span) {
    return std::upper_bound(ticks.begin(), ticks.end(), span.to) -
           std::upper_bound(ticks.begin(), ticks.end(), span.from);
}

std::int64_t ticks_of(const MeterBooks& books) {
    return std::accumulate(books.entries.begin(), books.entries.end(), std::int64_t{0},
                           [](std::int64_t sum, const Entry& entry) { return sum + entry.ticks; });
}

/// Adjustments come from readings by eye, not from the node's messages.
std::int64_t ticks_without_adjustments(const MeterBooks& books) {
    std::int64_t sum = ticks_of(books);
    for (const Entry& entry : books.entries) {
        if (entry.kind == EntryKind::adjustment) sum -= entry.ticks;
    }
    return sum;
}

std::int64_t total_of(const MeterBooks& books) {
    return books.state.empty() ? 0 : memory_from_record(books.state).value().total_ticks;
}

std::uint32_t node_of(const MeterBooks& books) {
    return static_cast<std::uint32_t>(std::stoul(books.id.substr(books.id.find('-') + 1)));
}

/// The sums that remain when old detail is removed.
std::string sums_of(const Books& books) {
    std::string all;
    for (const MeterBooks& meter : books.meters()) {
        all += meter.id + " " + std::to_string(total_of(meter));
        for (std::size_t step = 1; step < meter.row_ticks.size(); ++step)
            all += " " + std::to_string(meter.row_ticks[step]);
        all += "; ";
    }
    return all;
}

/// Nothing in its messages distinguishes an old one that arrives late or again from a new one.
bool may_pass_for_new(const PlannedNode& planned) {
    const NodeSettings& node = planned.settings;
    const Story& story = planned.story;
    const bool tells_order = (node.tells_boot && node.tells_seq) || node.tells_time;
    return !tells_order && !(story.redeliveries.empty() && story.backlogs.empty() &&
                             story.overtaken.empty() && story.delays.empty());
}

}  // namespace

Audit::Audit(const Plan& plan, const DaemonSettings& settings, Machine& machine, const Heard& heard,
             WorldReport& report)
    : plan_(plan),
      settings_(settings),
      machine_(machine),
      sent_(heard.sent),
      unheard_(heard.unheard),
      lines_(heard.lines),
      report_(report) {}

void Audit::fail_with(const std::string& meter, const std::string& what) {
    if (!failure_) failure_ = meter + ": " + what;
}

void Audit::check_books() {
    auto books = Books::read(machine_.vfs().name(), ledger_file);
    if (!books) return fail_with("ledger", books.error().text);
    books_ = std::move(*books);
    for (const MeterBooks& meter : books_->meters()) {
        check_meter(node_of(meter), meter);
    }
}

void Audit::check_meter(std::uint32_t node, const MeterBooks& books) {
    const bool was_right = !failure_;
    loose_ticks_ = 0;
    check_conservation(books);
    check_unseen(node, books);
    check_total(node, books);
    check_times(node, books);
    if (was_right && failure_) {
        *failure_ += "\n  " + words(plan_.nodes[node]);
        *failure_ += shown(node, books);
    }
}

/// Everything known about a meter, if TICKLEDGER_SHOW_BOOKS is set.
std::string Audit::shown(std::uint32_t node, const MeterBooks& books) {
    if (!std::getenv("TICKLEDGER_SHOW_BOOKS")) return {};
    std::string lines;
    for (const Entry& entry : books.entries)
        lines += "\n  " + words(entry);
    for (const Sent* sent : heard_of(node)) {
        const Delivery& said = sent->delivery;
        lines += "\n  sent " + format_utc(said.sent_at) + " arrived " + format_utc(said.message.arrived_at) +
                 " ran " + std::to_string(said.true_ticks) + " counted " + std::to_string(said.counted) +
                 " " + said.message.payload;
    }
    for (const auto& refused : books.refused)
        lines += "\n  refused " + std::to_string(refused.reason) + refused.payload;
    return lines + log_of(plan_.nodes[node].settings.topic);
}

/// The message log's events of a topic and of the link.
std::vector<Event> Audit::logged(const std::string& topic) const {
    std::vector<Event> events;
    const auto log = MessageLog::open(machine_.files(), messages_directory);
    if (!log) return events;
    MessageLogReader reader(machine_.files(), messages_directory, {});
    while (true) {
        auto line = reader.next((*log)->end());
        if (!line || !*line) return events;
        const auto* message = std::get_if<Message>(&(*line)->event);
        if (!message || message->topic == topic) events.push_back(std::move((*line)->event));
    }
}

/// The same in a form that can be replayed.
std::string Audit::log_of(const std::string& topic) const {
    std::string lines;
    for (const Event& event : logged(topic))
        lines += "\n  log " + to_line(event);
    return lines;
}

void Audit::check_conservation(const MeterBooks& books) {
    const std::int64_t total = total_of(books);
    // If old entries and intervals are removed, hours and longer rows still hold everything.
    const std::int64_t booked = plan_.keeps_readings ? total : ticks_of(books);
    if (total != booked) {
        fail_with(books.id, "the entries hold " + std::to_string(booked) +
                                " ticks, but the register advanced by " + std::to_string(total));
    }
    for (std::size_t step = plan_.keeps_readings ? 1 : 0; step < books.row_ticks.size(); ++step) {
        if (books.row_ticks[step] != booked) {
            fail_with(books.id, "the account holds " + std::to_string(booked) + " ticks, the rows of step " +
                                    std::to_string(step) + " hold " + std::to_string(books.row_ticks[step]));
        }
    }
}

std::vector<const Sent*> Audit::heard_of(std::uint32_t node) const {
    std::vector<const Sent*> heard;
    const Sent* newest = nullptr;
    for (const Line& line : lines_) {
        if (line.sent == Line::no_message || sent_[line.sent].node != node) continue;
        const Sent& now = sent_[line.sent];
        const bool is_count = plan_.nodes[node].settings.message != MessageForm::pulses;
        // A retained copy with a lower count may be of any age, so it is skipped.
        if (line.retained && is_count && newest && now.delivery.count < newest->delivery.count) continue;
        if (!newest || now.delivery.sent_at > newest->delivery.sent_at) newest = &now;
        heard.push_back(&now);
    }
    return heard;
}

const char* Audit::why_undecidable(const PlannedNode& planned) const {
    const NodeSettings& node = planned.settings;
    const Story& story = planned.story;
    const bool tells_start = node.tells_boot && node.message != MessageForm::senml;
    const bool comes_in_turns =
        !story.overtaken.empty() || std::any_of(story.backlogs.begin(), story.backlogs.end(),
                                                [](const Backlog& backlog) { return backlog.mixes_live; });
    if (!tells_start && may_lose_time() && (comes_in_turns || !story.power_cuts.empty()))
        return "no boot sent: at a false time of the server, a fall looks like a restart";
    if (story.power_cuts.empty()) return nullptr;
    if (may_pass_for_new(planned))
        return "neither seq with boot nor time sent: after a restart an old message looks like a new one";
    return nullptr;
}

/// The booked times may be closer together than the true ones, so a true gain may look impossible.
bool Audit::may_lose_time() const {
    return plan_.steps_clock || plan_.has_no_clock_battery;
}

void Audit::check_total(std::uint32_t node, const MeterBooks& books) {
    const PlannedNode& planned = plan_.nodes[node];
    const auto heard = heard_of(node);
    if (heard.empty()) return;
    ++report_.meters;
    const Told told = planned.settings.message == MessageForm::pulses
                          ? told_by_pulses(heard)
                          : told_by_counts(planned.settings, plan_.meters[node], plan_.troubles, heard);
    const std::int64_t booked = plan_.keeps_readings ? total_of(books) : ticks_without_adjustments(books);
    const std::int64_t over = std::max<std::int64_t>(booked - told.most_ticks, 0);
    const std::int64_t under = std::max<std::int64_t>(told.least_ticks - booked, 0);
    if (over == 0 && under == 0) return;
    const char* why = over > 0 ? why_over(planned, told, over) : why_under(node, told, books, under);
    if (why) {
        Excused& excused = report_.excused[why];
        ++excused.meters;
        excused.ticks_over += over;
        excused.ticks_under += under;
        return;
    }
    fail_with(books.id, "the messages show at least " + std::to_string(told.least_ticks) +
                            " ticks, the node counted " + std::to_string(told.most_ticks) + ", and " +
                            std::to_string(booked) + " are booked (" + std::to_string(books.refused.size()) +
                            " messages refused)");
}

const char* Audit::why_over(const PlannedNode& planned, const Told& told, std::int64_t over) const {
    if (over <= told.ran_back_over_starts)
        return "a boot sent `saved`: water that ran back before it is not seen";
    if (over <= told.ran_back_over_starts + told.set_by_hand)
        return "a count was set by hand, or ran back before a boot: it looks like counted water";
    if (const char* why = why_undecidable(planned)) return why;
    if (may_pass_for_new(planned))
        return "neither seq with boot nor time sent: several old messages in a row look like a restart";
    return nullptr;
}

/// Pulses whose gap may have been removed before they arrived, so that nothing shows where they belong.
std::int64_t Audit::pulses_beyond_keeping(std::uint32_t node) const {
    if (!plan_.keeps_readings || plan_.nodes[node].settings.message != MessageForm::pulses) return 0;
    const Duration kept = *plan_.keeps_readings - std::chrono::hours{24};
    std::int64_t pulses = 0;
    for (const Sent* sent : heard_of(node)) {
        const Delivery& said = sent->delivery;
        if (said.message.arrived_at - said.sent_at > kept) pulses += static_cast<std::int64_t>(said.count);
    }
    return pulses;
}

const char* Audit::why_under(std::uint32_t node, const Told& told, const MeterBooks& books,
                             std::int64_t under) const {
    const PlannedNode& planned = plan_.nodes[node];
    if (under <= pulses_beyond_keeping(node)) return "pulses arrived when their day was no longer kept";
    if (under <= loose_ticks_) return "the ticks ran in a span whose `unseen_max` nobody could know";
    // The ticks that the account admits may be missing. Removed entries take their bounds with them.
    std::int64_t owned_up = 0;
    for (const Entry& entry : books.entries)
        owned_up += static_cast<std::int64_t>(entry.unseen_max.value_or(0));
    const bool is_bounded = under <= owned_up || plan_.keeps_readings;
    if (const char* why = why_undecidable(planned)) return why;
    if (told.starts_cross && is_bounded)
        return "the first message of a boot arrived after that of a later boot: within `unseen_max`";
    const bool has_false_clock = may_lose_time() || !planned.story.clock_errors.empty();
    if (has_false_clock && is_bounded) return "a false clock: sent ticks skipped, within `unseen_max`";
    if (may_lose_time()) return "a false time of the server: sent ticks skipped, beyond `unseen_max`";
    return nullptr;
}

/// Compares every entry with the water that ran in its span.
void Audit::check_times(std::uint32_t node, const MeterBooks& books) {
    const PlannedNode& planned = plan_.nodes[node];
    const bool is_pulses = planned.settings.message == MessageForm::pulses;
    const auto back_ticks = planned.story.back_ticks();
    // If two boots cross, the older one's times are not believed.
    const bool starts_cross =
        told_by_counts(planned.settings, plan_.meters[node], plan_.troubles, heard_of(node)).starts_cross;
    const bool knows_times =
        planned.tells_true_time && !starts_cross && !may_lose_time() && !why_undecidable(planned) &&
        planned.story.presets.empty() &&
        (planned.certainty == Certainty::ordered || planned.story.power_cuts.empty()) &&
        // The first pulses, and those right after a gap, are spread over one configured cadence.
        !(is_pulses && !planned.story.pace.is_as_set()) &&
        !(is_pulses && (!planned.story.silences.empty() || !planned.story.delays.empty() ||
                        !planned.story.overtaken.empty() || !planned.story.backlogs.empty()));
    const Entry* before = nullptr;
    for (const Entry& entry : books.entries) {
        if (entry.kind == EntryKind::adjustment) continue;
        if (before && entry.span.from != before->span.to && entry.span.length() > Duration{0}) {
            fail_with(books.id, "entries overlap or leave a gap: " + words(*before) + "; " + words(entry));
        }
        before = &entry;
        if (!knows_times || entry.time_estimated || entry.kind != EntryKind::measured) continue;
        const std::int64_t ran = ticks_in(planned.ticks, entry.span) - ticks_in(back_ticks, entry.span);
        if (ran != entry.ticks) fail_with(books.id, std::to_string(ran) + " ticks ran in " + words(entry));
    }
}

void Audit::check_rebuilding(Instant until) {
    if (failure_) return;
    {
        auto ledger = Ledger::open(rebuilt_file, machine_.vfs().name());
        auto log = MessageLog::open(machine_.files(), messages_directory);
        if (!ledger || !log) return fail_with("rebuilding", "the store cannot be opened");
        Bookkeeper bookkeeper(settings_.meters, settings_.zone, **ledger, Publishing::last_state,
                              settings_.meters.size());
        if (!bookkeeper.load()) return fail_with("rebuilding", "the accounts cannot be loaded");
        LogSource source(machine_.files(), messages_directory, **log, LogPosition{});
        Engine engine(**ledger, bookkeeper, source, LogPosition{}, {}, [](Level, const std::string&) {});
        while (engine.step(until) == Engine::Step::more) {
        }
        if (!engine.trouble().empty()) return fail_with("rebuilding", engine.trouble());
    }
    const auto rebuilt = Books::read(machine_.vfs().name(), rebuilt_file);
    if (!rebuilt) return fail_with("rebuilding", rebuilt.error().text);
    if (plan_.keeps_readings) {
        // When the log is booked in one go, nothing is removed before the last message.
        for (std::uint32_t node = 0; node < plan_.nodes.size(); ++node) {
            if (pulses_beyond_keeping(node) > 0) return;
        }
        if (sums_of(*books_) != sums_of(*rebuilt))
            fail_with("the log, booked in one go, gives other sums", sums_of(*books_) + sums_of(*rebuilt));
        return;
    }
    if (const auto difference = Books::difference(*books_, *rebuilt)) {
        fail_with("the log, booked in one go, gives another ledger", *difference);
    }
}

/// The ledger knows three eighths of the numbers at least. An older number may be one to come (RFC 1982).
bool Audit::is_within_reach(const Sent& sent) const {
    const auto known = std::uint64_t{3} << (plan_.nodes[sent.node].settings.seq_bits - 3);
    std::uint64_t later = 0;
    for (const auto* said : {&sent_, &unheard_}) {
        later += static_cast<std::uint64_t>(std::ranges::count_if(*said, [&](const Sent& other) {
            return other.node == sent.node && other.delivery.boot == sent.delivery.boot &&
                   other.delivery.sent_at > sent.delivery.sent_at;
        }));
    }
    return later < known;
}

void Audit::check_repeats(const SimClock& clock, Chance& chance) {
    if (failure_ || lines_.empty()) return;
    {
        auto daemon = SimDaemon::start(machine_, settings_, clock);
        if (!daemon) return fail_with("repeats", daemon.error().text);
        for (int left = 50; left > 0; --left) {
            const Line& line = lines_[chance.below(lines_.size())];
            // A retained copy is not a delivery of the message; the daemon skips one whose count falls.
            if (line.sent == Line::no_message || line.retained) continue;
            const Sent& sent = sent_[line.sent];
            const NodeSettings& node = plan_.nodes[sent.node].settings;
            if (!node.tells_boot || !node.tells_seq || node.message == MessageForm::senml) continue;
            if (!is_within_reach(sent)) continue;
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
        fail_with("redelivered messages changed the ledger", *difference);
        for (const MeterBooks& meter : after->meters())
            *failure_ += shown(node_of(meter), meter);
    }
}

}  // namespace tickledger::simulation
