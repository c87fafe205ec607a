#include "service/redate.hpp"

#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdio>
#include <fstream>
#include <iterator>
#include <system_error>
#include <utility>

#include "book/ledger_facts.hpp"
#include "book/store_failure.hpp"
#include "engine/clock.hpp"
#include "engine/opened_store.hpp"
#include "store/backup.hpp"
#include "store/files.hpp"
#include "store/log_names.hpp"
#include "store/redating.hpp"
#include "store/writer_lock.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

namespace fs = std::filesystem;

/// The new parts, made beside the old ones before anything of the store is changed.
constexpr const char* fresh_messages_name = "messages.redated";
constexpr const char* fresh_ledger_name = "ledger.redated.db";
/// While this file exists, the new parts are being put in place. It contains the suffix for the names of the
/// old ones.
constexpr const char* mark_name = "redating";
/// The mark, before it has its name. A mark that was only half written would end in names that nobody knows.
constexpr const char* partial_mark_name = "redating.part";

tl::unexpected<StartFailure> unusable(const Error& error) {
    return start_failure(exit_status::store_unusable, error.text);
}

/// As root, switches to the owner, so that the service's user can write all files afterwards.
Result<void> act_as_owner_of(const fs::path& directory) {
    struct stat state {};
    if (::geteuid() != 0 || ::stat(directory.c_str(), &state) != 0 || state.st_uid == 0) return {};
    if (::setegid(state.st_gid) == 0 && ::seteuid(state.st_uid) == 0) return {};
    return fail(fmt::format("Cannot act as the owner of {}: {}. Run it as that user.", directory.string(),
                            std::generic_category().message(errno)));
}

Result<void> move_to(const fs::path& from, const fs::path& to) {
    std::error_code failed;
    fs::rename(from, to, failed);
    if (!failed) return {};
    return fail(fmt::format("{} cannot be renamed to {}: {}.", from.string(), to.string(), failed.message()));
}

/// The store, before and while its parts are exchanged.
class Exchange {
public:
    explicit Exchange(fs::path directory) : directory_(std::move(directory)) {}

    [[nodiscard]] fs::path ledger() const { return directory_ / ledger_name; }
    [[nodiscard]] fs::path messages() const { return directory_ / messages_name; }
    [[nodiscard]] fs::path fresh_ledger() const { return directory_ / fresh_ledger_name; }
    [[nodiscard]] fs::path fresh_messages() const { return directory_ / fresh_messages_name; }

    /// Nothing was moved under an empty mark. An earlier version left one if it was killed or the disk was
    /// full.
    [[nodiscard]] bool was_begun() const {
        std::error_code ignored;
        return exists(directory_ / mark_name) && !fs::is_empty(directory_ / mark_name, ignored);
    }

    /// Removes what an earlier attempt left. Precondition: no exchange has begun.
    void clear() const {
        std::error_code ignored;
        for (const char* mark : {mark_name, partial_mark_name})
            fs::remove(directory_ / mark, ignored);
        fs::remove_all(fresh_messages(), ignored);
        for (const char* part : {"", "-wal", "-shm", ".lock"})
            fs::remove(fresh_ledger().string() + part, ignored);
    }

    /// From this call on the fresh parts are the valid ones. `ending` is the suffix for the names of the old
    /// ones.
    [[nodiscard]] Result<void> begin(Files& files, const std::string& ending) const {
        const fs::path partial = directory_ / partial_mark_name;
        auto mark = files.open_append(partial);
        if (!mark) return tl::unexpected(std::move(mark.error()));
        return (*mark)
            ->truncate(0)
            .and_then([&] { return (*mark)->append(ending); })
            .and_then([&] { return (*mark)->sync(); })
            .and_then([&] { return move_to(partial, directory_ / mark_name); })
            .and_then([&] { return sync_directory(directory_); });
    }

    /// Puts the fresh parts in place, from wherever an earlier call was cut short. Returns the new names of
    /// the old ones.
    [[nodiscard]] Result<std::array<fs::path, 2>> finish() const {
        std::ifstream mark(directory_ / mark_name);
        const std::string ending((std::istreambuf_iterator<char>(mark)), {});
        if (ending.empty()) return fail((directory_ / mark_name).string() + " cannot be read.");
        const fs::path old_messages = directory_ / (std::string(messages_name) + ending);
        const fs::path old_ledger = directory_ / fs::path(ledger_name).stem().concat(ending).concat(".db");
        Result<void> done;
        if (exists(fresh_messages())) {
            if (exists(messages())) done = move_to(messages(), old_messages);
            if (done) done = move_to(fresh_messages(), messages());
        }
        if (done && exists(fresh_ledger())) {
            // Move the write-ahead log first. Left beside another ledger, it would corrupt it.
            for (const char* part : {"-wal", "-shm", ""}) {
                if (done && exists(ledger().string() + part))
                    done = move_to(ledger().string() + part, old_ledger.string() + part);
            }
            if (done) done = move_to(fresh_ledger(), ledger());
        }
        if (done) done = sync_directory(directory_);
        if (!done) return tl::unexpected(done.error());
        std::error_code ignored;
        fs::remove(fresh_ledger().string() + ".lock", ignored);
        fs::remove(directory_ / mark_name, ignored);
        return std::array{old_messages, old_ledger};
    }

private:
    [[nodiscard]] static bool exists(const fs::path& path) {
        std::error_code ignored;
        return fs::exists(fs::symlink_status(path, ignored));
    }

    fs::path directory_;
};

/// No other process can write the store while the returned lock is held.
tl::expected<WriterLock, StartFailure> alone_with(const Exchange& store) {
    auto lock = WriterLock::take(store.ledger());
    if (lock) return *std::move(lock);
    return start_failure(lock.error().held_by_another ? exit_status::store_held : exit_status::store_unusable,
                         lock.error().text);
}

/// The number of messages in the log up to `end`.
Result<std::uint64_t> messages_until(Files& files, const fs::path& directory, const LogPosition& end) {
    MessageLogReader reader(files, directory, {});
    for (std::uint64_t messages = 0;;) {
        const auto next = reader.next(end);
        if (!next) return tl::unexpected(next.error());
        if (!*next) return messages;
        const Event& event = (*next)->event;
        messages +=
            std::holds_alternative<Message>(event) || std::holds_alternative<Unclocked>(event) ? 1 : 0;
    }
}

Result<LedgerFacts> facts_of(Ledger& ledger) {
    try {
        return load_facts(ledger);
    } catch (const StoreFailure& failed) {
        return fail(failed.what());
    }
}

/// Whether the log holds every message that the ledger ever booked.
Result<bool> log_reaches_back(Files& files, const Exchange& store) {
    auto ledger = Ledger::open(store.ledger());
    if (!ledger) return tl::unexpected<Error>(ledger.error());
    const auto place = (*ledger)->log_position();
    if (!place) return tl::unexpected(place.error());
    const auto messages = messages_until(files, store.messages(), *place);
    if (!messages) return messages.map([](auto) { return false; });
    return facts_of(**ledger).map([&](const LedgerFacts& facts) { return facts.counts.booked == *messages; });
}

/// Whether the ledger has booked nothing that was stamped ahead, and the log has everything that follows it.
Result<bool> is_from_before(Ledger& ledger, const Redating& redating, const std::vector<std::string>& names) {
    const auto place = ledger.log_position();
    if (!place) return tl::unexpected(place.error());
    const bool is_in_log = std::binary_search(names.begin(), names.end(), place->file);
    if (!is_in_log || *place > redating.first()) return false;
    // Its clock may have run ahead without a message.
    return facts_of(ledger).map([&](const LedgerFacts& facts) {
        return !facts.settled_until || *facts.settled_until <= redating.time_of(redating.since());
    });
}

/// Makes the fresh ledger: the newest sound backup from before the stamps that were ahead, or an empty ledger
/// if the log holds everything. Returns a description of it for people.
Result<std::string> make_base(Files& files, const Exchange& store, const Backups& backups,
                              const Redating& redating, const CivilZone& zone) {
    const auto names = log_files(files, store.messages());
    if (!names) return tl::unexpected(names.error());
    auto all = backups.list();
    if (!all) return tl::unexpected(std::move(all.error()));
    for (; !all->empty(); all->pop_back()) {
        const Backup& backup = all->back();
        store.clear();
        if (quick_check(backup.file).soundness != Soundness::sound) continue;
        if (auto copied = back_up(backup.file, store.fresh_ledger()); !copied)
            return tl::unexpected(copied.error());
        auto ledger = Ledger::open(store.fresh_ledger());
        if (!ledger) continue;
        const auto is_before = is_from_before(**ledger, redating, *names);
        if (!is_before) return tl::unexpected(is_before.error());
        if (*is_before) return "the backup of " + in_words(backup.made_at, zone);
    }
    store.clear();
    const auto reaches_back = log_reaches_back(files, store);
    if (!reaches_back) return tl::unexpected(reaches_back.error());
    if (!*reaches_back) {
        return fail(fmt::format(
            "No sound backup in {} is from before the stamps were ahead, and the message log does not reach "
            "back to the ledger's beginning. Put such a backup there. Nothing was changed.",
            backups.directory().string()));
    }
    if (auto ledger = Ledger::open(store.fresh_ledger()); !ledger)
        return tl::unexpected<Error>(ledger.error());
    return "an empty one, because the message log reaches back to its beginning";
}

std::string found(const Redating& redating, const CivilZone& zone) {
    return fmt::format(
        "Stamps were ahead by {}. This began at the stamp {}; the true time was {}. The clock became right "
        "at the stamp {}; the true time was {}. From then on stamps advanced a sixteenth slower.\n",
        in_words(redating.ahead()), in_words(redating.since(), zone),
        in_words(redating.time_of(redating.since()), zone), in_words(redating.right_at(), zone),
        in_words(redating.time_of(redating.right_at()), zone));
}

Result<void> finish(const Exchange& store) {
    return store.finish().map([](const std::array<fs::path, 2>& old) {
        std::fputs(
            fmt::format(
                "The store has true dates now. The old files are kept as {} and {}; remove them when you no "
                "longer need them. Start the daemon: it books the missing messages from the message log.\n",
                old[0].string(), old[1].string())
                .c_str(),
            stdout);
    });
}

}  // namespace

std::optional<std::string> redating_cut_short(const fs::path& directory) {
    if (!Exchange(directory).was_begun()) return std::nullopt;
    return fmt::format(
        "A redating of the store {} was cut short. Run `tickledgerd redate --write` again to finish it, then "
        "start the daemon.",
        directory.string());
}

tl::expected<void, StartFailure> redate(const Configuration& configuration, const RedateRequest& request) {
    const auto zone = CivilZone::find(configuration.timezone);
    if (!zone) return start_failure(exit_status::configuration, zone.error().text);
    if (const auto owner = act_as_owner_of(configuration.store.directory); !owner)
        return unusable(owner.error());
    const Exchange store(configuration.store.directory);
    const auto files = machine_files();
    {
        const auto lock = alone_with(store);
        if (!lock) return tl::unexpected(lock.error());
        if (store.was_begun()) {
            const auto done = finish(store);
            return done ? tl::expected<void, StartFailure>() : unusable(done.error());
        }
    }
    std::error_code ignored;
    if (!fs::exists(store.messages(), ignored))
        return start_failure(exit_status::refused,
                             store.messages().string() + ": there is no message log to correct.");
    const auto log = MessageLog::open(*files, store.messages());
    if (!log) return unusable(log.error());
    const LogPosition end = (*log)->end();
    const auto redating = Redating::of_log(*files, store.messages(), end, request.since);
    if (!redating) return start_failure(exit_status::refused, redating.error().text);
    std::fputs(found(*redating, *zone).c_str(), stdout);

    const auto base = make_base(*files, store, Backups(configuration.store.backups()), *redating, *zone);
    if (!base) {
        store.clear();
        return unusable(base.error());
    }
    if (!request.writes) {
        store.clear();
        std::fputs(
            fmt::format(
                "With --write, the message log gets true stamps, the ledger is replaced by {}, and the next "
                "start books the missing messages from the message log. Nothing was changed.\n",
                *base)
                .c_str(),
            stdout);
        return {};
    }
    // Making the fresh ledger took the lock and released it.
    const auto lock = alone_with(store);
    if (!lock) return tl::unexpected(lock.error());
    const auto changed = redating->write(*files, store.messages(), end, store.fresh_messages());
    if (!changed) return unusable(changed.error());
    std::fputs(
        fmt::format("{} lines of the message log have true stamps. The ledger is {}.\n", *changed, *base)
            .c_str(),
        stdout);
    const Instant now = SystemClock().wall();
    auto done =
        store.begin(*files, ".before-redating-" + name_part(now)).and_then([&] { return finish(store); });
    if (!done) return unusable(done.error());
    return {};
}

}  // namespace tickledger
