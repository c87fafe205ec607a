// The troubles of a world (kills, power cuts, disks, the broker and the link), and the recovery from them.
#include <algorithm>

#include "simulation/world.hpp"

namespace tickledger::simulation {

void World::strike(const PlannedTrouble& trouble) {
    ++report_.troubles[static_cast<std::size_t>(trouble.kind)];
    outage_ = trouble.length;
    switch (trouble.kind) {
        case Trouble::kill:
            machine_.strike(Blow::kill);
            break;
        case Trouble::power_cut:
            machine_.strike(Blow::power_cut);
            break;
        case Trouble::kill_at_write:
            machine_.strike_after(trouble.number, Blow::kill);
            break;
        case Trouble::power_cut_at_write:
            machine_.strike_after(trouble.number, Blow::power_cut);
            break;
        case Trouble::orderly_restart:
            stop_daemon(trouble.length);
            break;
        case Trouble::full_disk:
            machine_.set_free_bytes(trouble.number * 20);
            disk_heals_at_ = clock_.true_time + trouble.length;
            break;
        case Trouble::failing_disk:
            machine_.vfs().fail_writes(static_cast<int>(trouble.number % 100));
            machine_.vfs().fail_syncs(static_cast<int>(trouble.number % 7));
            machine_.disk().fail_syncs(static_cast<int>(trouble.number % 5));
            machine_.disk().fail_truncates(static_cast<int>(trouble.number % 3));
            break;
        case Trouble::broker_stopped:
        case Trouble::broker_killed:
            if (!broker_.is_up()) break;
            lose_link(chance_.below(4), trouble.length + reconnect_wait);
            trouble.kind == Trouble::broker_killed ? broker_.kill() : broker_.stop();
            broker_up_at_ = clock_.true_time + trouble.length;
            break;
        case Trouble::link_lost:
            lose_link(chance_.below(4), trouble.length);
            break;
        case Trouble::session_expired:
            if (!broker_.is_up()) break;
            lose_link(chance_.below(4), trouble.length);
            broker_.expire_session();
            break;
        case Trouble::clock_step:
            clock_.error = trouble.step;
            break;
    }
}

void World::note_if_down() {
    if (!machine_.is_down()) return;
    broker_.disconnect(chance_.below(4));
    daemon_.reset();
    deliver_at_.reset(), pass_at_.reset(), sync_at_.reset(), connect_at_.reset();
    if (machine_.lost_power()) {
        forget_lost_lines();
        clock_.machine_started_at = clock_.true_time + outage_;
        clock_.is_set = !plan_.has_no_clock_battery;
    }
    machine_.revive();
    restart_at_ = clock_.true_time + outage_;
}

void World::stop_daemon(Duration until_back) {
    if (!daemon_) return;
    lose_link(0, until_back);
    (void)daemon_->book_all();
    (void)daemon_->sync();
    daemon_.reset();
    deliver_at_.reset(), pass_at_.reset(), sync_at_.reset(), connect_at_.reset();
    restart_at_ = clock_.true_time + until_back;
}

void World::start_daemon() {
    restart_at_.reset();
    // Another trouble may have cut the outage short.
    clock_.machine_started_at = std::min(clock_.machine_started_at, clock_.true_time);
    ++report_.starts;
    auto started = SimDaemon::start(machine_, settings_, clock_);
    if (!started) {
        if (!machine_.is_down()) restart_at_ = clock_.true_time + restart_wait;
        return;
    }
    daemon_ = std::move(*started);
    // The ledger kept what it had booked from lines that the log lost.
    if (first_lost_ && *first_lost_ <= daemon_->started_from()) knows_more_than_log_ = true;
    first_lost_.reset();
    for (Line& line : std::exchange(lost_, {})) {
        line.only_booked = LogPosition{files_[line.file], line.end_bytes} <= daemon_->started_from();
        if (line.only_booked) lines_.push_back(line);
    }
    if (daemon_->log().end() != LogPosition{}) remember(Line::no_message);
    connect_at_ = clock_.true_time + reconnect_wait;
    pass_at_ = clock_.true_time;
    // After a power cut the time service may answer only after a while.
    if (!clock_.is_set && chance_.happens(0.7)) clock_.is_set = true;
}

void World::connect() {
    connect_at_.reset();
    if (!daemon_ || broker_.is_connected()) return;
    if (!broker_.is_up()) {
        connect_at_ = clock_.true_time + reconnect_wait;
        return;
    }
    if (!clock_.is_set && chance_.happens(0.5)) clock_.is_set = true;
    const bool session_present = broker_.connect();
    if (!daemon_->accept(LinkChange{.at = {}, .up = true, .session_present = session_present})) {
        if (!machine_.is_down()) lose_link(0, reconnect_wait);
        return;
    }
    remember(Line::no_message);
    if (!broker_.is_empty()) deliver_at_ = clock_.true_time;
}

void World::lose_link(std::size_t lost_acknowledgements, Duration until_back) {
    const bool was_connected = broker_.is_connected();
    broker_.disconnect(lost_acknowledgements);
    deliver_at_.reset();
    if (!daemon_) return;
    connect_at_ = clock_.true_time + std::max<Duration>(until_back, reconnect_wait);
    if (was_connected && daemon_->accept(LinkChange{.at = {}, .up = false, .session_present = false})) {
        remember(Line::no_message);
    }
}

/// Finds the lines that a power cut removed. Each of the last two files may be torn.
void World::forget_lost_lines() {
    const std::uint32_t oldest_torn = files_.size() < 2 ? 0 : static_cast<std::uint32_t>(files_.size() - 2);
    const auto first = std::find_if(lines_.begin(), lines_.end(),
                                    [&](const Line& line) { return line.file >= oldest_torn; });
    const auto is_lost = [&](const Line& line) {
        if (line.only_booked) return false;
        const auto size =
            machine_.disk().size_bytes(std::filesystem::path(messages_directory) / files_[line.file]);
        return !size || *size < line.end_bytes;
    };
    for (auto line = first; line != lines_.end(); ++line) {
        if (!is_lost(*line)) continue;
        const LogPosition end{files_[line->file], line->end_bytes};
        if (!first_lost_ || end < *first_lost_) first_lost_ = end;
        ++report_.lost_lines;
        lost_.push_back(*line);
    }
    lines_.erase(std::remove_if(first, lines_.end(), is_lost), lines_.end());
}

void World::heal_all() {
    next_trouble_ = plan_.troubles.size();
    next_word_ = plan_.words.size();
    machine_.disarm();
    disk_heals_at_ = clock_.true_time;
    if (!broker_.is_up()) broker_up_at_ = clock_.true_time;
    if (restart_at_) restart_at_ = clock_.true_time;
    if (connect_at_) connect_at_ = clock_.true_time + reconnect_wait;
    clock_.is_set = true;
    machine_.disk().fail_syncs(0);
    machine_.disk().fail_truncates(0);
}

}  // namespace tickledger::simulation
