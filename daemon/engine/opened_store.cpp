#include "engine/opened_store.hpp"

#include <sys/stat.h>

#include <algorithm>

#include "store/log_names.hpp"

namespace tickledger {

namespace {

// A clock that shows more than years after what it last showed is not set.
constexpr Duration reach_at_start = std::chrono::hours{24 * 365 * 10};

/// What the server's clock said when the file was last written, where it lies on the machine's disk.
std::optional<Instant> changed_at(const std::filesystem::path& file) {
    struct stat state {};
    if (::lstat(file.c_str(), &state) != 0) return std::nullopt;
    return instant_of(std::int64_t{state.st_mtim.tv_sec} * 1'000'000 + state.st_mtim.tv_nsec / 1000);
}

/// What the server's clock said when the log was last written.
std::optional<Instant> last_written(Files& files, const std::filesystem::path& messages) {
    const auto names = log_files(files, messages);
    return names && !names->empty() ? changed_at(messages / names->back()) : std::nullopt;
}

/// Looks through what is accepted but not booked.
Result<void> look_at_pending(Files& files, const std::filesystem::path& messages, OpenedStore& store) {
    MessageLogReader reader(files, messages, store.booked_to);
    for (;;) {
        const auto next = reader.next(store.log->end());
        if (!next) return tl::unexpected(next.error());
        if (!*next) return {};
        const Event& event = (*next)->event;
        const bool is_undated = std::holds_alternative<Unclocked>(event);
        if (is_undated || std::holds_alternative<Message>(event)) ++store.pending_messages;
        if (is_undated) store.has_undated = true;
        if (std::holds_alternative<ClockSet>(event)) store.has_undated = false;
    }
}

}  // namespace

tl::expected<OpenedStore, UnusableStore> open_store(Files& files, const std::filesystem::path& directory,
                                                    const std::vector<MeterSettings>& meters,
                                                    std::size_t max_meters, const CivilZone& zone,
                                                    Instant release, const std::string& vfs) {
    const auto failure = [](const Error& error) { return tl::unexpected(UnusableStore{error.text}); };
    const std::filesystem::path messages = directory / messages_name;
    OpenedStore store;
    if (const auto made = files.make_directory(directory); !made) return failure(made.error());
    auto ledger = Ledger::open(directory / ledger_name, vfs);
    if (!ledger) return tl::unexpected(UnusableStore{ledger.error().text, ledger.error().held_by_another});
    store.ledger = std::move(*ledger);
    // Before it is opened, which may cut off a torn line.
    const auto written_at = last_written(files, messages);
    auto log = MessageLog::open(files, messages);
    if (!log) return failure(log.error());
    store.log = std::move(*log);
    store.bookkeeper =
        std::make_unique<Bookkeeper>(meters, zone, *store.ledger, Publishing::everything, max_meters);
    if (const auto loaded = store.bookkeeper->load(); !loaded) return failure(loaded.error());
    const auto told = store.ledger->log_position();
    if (!told) return failure(told.error());
    store.booked_to = std::min(*told, store.log->end());
    if (const auto looked = look_at_pending(files, messages, store); !looked) return failure(looked.error());

    const auto last_stamp = store.log->last_stamp();
    // Stamps go on from where the last daemon's clock had come to.
    if (const auto settled = store.bookkeeper->settled_until()) (void)store.log->horizon(*settled);
    const Instant stamped = store.log->last_stamp().value_or(release);
    // Stamps may have been ahead of the clock when the last of them was given.
    store.clock_floor = std::max(release, std::min(stamped, written_at.value_or(stamped)));
    const Instant latest = std::max({release, stamped, written_at.value_or(stamped)});
    store.clock_reach = latest - store.clock_floor + reach_at_start;
    // While no daemon ran there was no link, and so no silence of any node.
    if (last_stamp) {
        const LinkChange down{.at = {}, .up = false, .session_present = false};
        if (const auto noted = store.log->append(down, *last_stamp); !noted) return failure(noted.error());
    }
    return store;
}

}  // namespace tickledger
