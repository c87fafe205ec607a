#include "engine/opened_store.hpp"

#include <algorithm>

namespace tickledger {

namespace {

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
    store.clock_floor = std::max(release, store.log->last_stamp().value_or(release));
    // While no daemon ran there was no link, and so no silence of any node.
    if (last_stamp) {
        const LinkChange down{.at = {}, .up = false, .session_present = false};
        if (const auto noted = store.log->append(down, *last_stamp); !noted) return failure(noted.error());
    }
    return store;
}

}  // namespace tickledger
