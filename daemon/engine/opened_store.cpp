#include "engine/opened_store.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <system_error>

#include "store/log_names.hpp"

namespace tickledger {

namespace {

// A server without a time service may have been off for a week. If its clock has moved on by more than that,
// it may have lost the time, and somebody should say that it is right.
constexpr Duration reach_after_stamp = std::chrono::hours{24 * 7};
constexpr Duration reach_of_new_store = std::chrono::hours{24 * 365 * 10};
// No clock was ever this far from the stamps that it gave.
constexpr Duration strange_after = std::chrono::hours{24 * 366};

/// The time by the server's clock when the file was last written. Nothing if the machine's disk has no such
/// file.
std::optional<Instant> changed_at(const std::filesystem::path& file) {
    struct stat state {};
    if (::lstat(file.c_str(), &state) != 0) return std::nullopt;
    return instant_of(std::int64_t{state.st_mtim.tv_sec} * 1'000'000 + state.st_mtim.tv_nsec / 1000);
}

/// The time by the server's clock when the log was last written.
std::optional<Instant> last_written(Files& files, const std::filesystem::path& messages) {
    const auto names = log_files(files, messages);
    return names && !names->empty() ? changed_at(messages / names->back()) : std::nullopt;
}

/// Puts files aside whose names give days long after the files were written and after everything booked. As
/// the last files of the log they would set the stamps' clock. Returns their new names.
Result<std::vector<std::string>> put_strange_days_aside(Files& files, const std::filesystem::path& messages,
                                                        const LogPosition& booked_to) {
    std::vector<std::string> aside;
    const auto names = log_files(files, messages);
    if (!names) return aside;  // There is no directory yet.
    for (auto name = names->rbegin(); name != names->rend() && *name > booked_to.file; ++name) {
        const auto written_at = changed_at(messages / *name);
        if (!written_at || *day_of_log_file(*name) - *written_at <= strange_after) continue;
        const std::filesystem::path kept = free_name_aside(messages / *name);
        std::error_code failed;
        std::filesystem::rename(messages / *name, kept, failed);
        if (failed)
            return fail("Cannot put " + (messages / *name).string() + " aside: " + failed.message() + ".");
        aside.push_back(kept.string());
    }
    return aside;
}

/// Counts what is accepted but not booked.
Result<void> look_at_pending(Files& files, const std::filesystem::path& messages, OpenedStore& store) {
    MessageLogReader reader(files, messages, store.booked_to);
    for (;;) {
        const auto next = reader.next(store.log->end());
        if (!next) return tl::unexpected(next.error());
        if (!*next) break;
        const Event& event = (*next)->event;
        const bool is_undated = std::holds_alternative<Unclocked>(event);
        if (is_undated || std::holds_alternative<Message>(event)) ++store.pending_messages;
        if (is_undated) store.has_undated = true;
        if (std::holds_alternative<ClockSet>(event)) store.has_undated = false;
    }
    store.damaged_lines = reader.damaged_lines();
    return {};
}

}  // namespace

tl::expected<OpenedStore, UnusableStore> open_store(Files& files, const std::filesystem::path& directory,
                                                    const std::vector<MeterSettings>& meters,
                                                    std::size_t max_meters, const CivilZone& zone,
                                                    Instant release, const std::string& vfs, WalIndex index) {
    const auto failure = [](const Error& error) { return tl::unexpected(UnusableStore{error.text}); };
    const std::filesystem::path messages = directory / messages_name;
    OpenedStore store;
    if (const auto made = files.make_directory(directory); !made) return failure(made.error());
    auto ledger = Ledger::open(directory / ledger_name, vfs, index);
    if (!ledger) return tl::unexpected(UnusableStore{ledger.error().text, ledger.error().held_by_another});
    store.ledger = std::move(*ledger);
    const auto told = store.ledger->log_position();
    if (!told) return failure(told.error());
    auto aside = put_strange_days_aside(files, messages, *told);
    if (!aside) return failure(aside.error());
    store.put_aside = std::move(*aside);
    // Must come before the log is opened, because opening may cut off a torn line and so write to the file.
    const auto written_at = last_written(files, messages);
    auto log = MessageLog::open(files, messages);
    if (!log) return failure(log.error());
    store.log = std::move(*log);
    store.bookkeeper =
        std::make_unique<Bookkeeper>(meters, zone, *store.ledger, Publishing::everything, max_meters);
    if (const auto loaded = store.bookkeeper->load(); !loaded) return failure(loaded.error());
    store.ledger_was_at = *told;
    store.booked_to = std::min(*told, store.log->end());
    // After a power cut the ledger may hold a batch whose lines the log has lost. New lines take their
    // places, and a daemon that is killed before its first batch must not take these for booked ones.
    if (store.booked_to != *told) {
        const auto forced = store.ledger->force_log_position(store.booked_to);
        if (!forced) return failure(forced.error());
    }
    if (const auto looked = look_at_pending(files, messages, store); !looked) return failure(looked.error());

    const auto last_stamp = store.log->last_stamp();
    // Stamps go on from where the last daemon's clock had got to.
    if (const auto settled = store.bookkeeper->settled_until()) (void)store.log->horizon(*settled);
    const Instant stamped = store.log->last_stamp().value_or(release);
    // The stamps may have been ahead of the clock when the last of them was given.
    store.clock_floor = std::max(release, std::min(stamped, written_at.value_or(stamped)));
    const Instant latest = std::max({release, stamped, written_at.value_or(stamped)});
    store.clock_reach = latest - store.clock_floor + (last_stamp ? reach_after_stamp : reach_of_new_store);
    // While no daemon ran there was no link, so no node counts as silent for that time.
    if (last_stamp) {
        const LinkChange down{.at = {}, .up = false, .session_present = false};
        if (const auto noted = store.log->append(down, *last_stamp); !noted) return failure(noted.error());
    }
    return store;
}

}  // namespace tickledger
