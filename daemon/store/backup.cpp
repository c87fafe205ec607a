#include "store/backup.hpp"

#include <date/date.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <optional>
#include <system_error>
#include <thread>

#include "store/files.hpp"
#include "store/statement.hpp"

namespace tickledger {
namespace {

namespace fs = std::filesystem;

/// A copy is made in parts. Between two of them the disk is free for booking.
constexpr int part_pages = 512;
constexpr auto pause_between_parts = std::chrono::milliseconds{2};
/// How many steps of SQLite's virtual machine pass between two calls of `goes_on`: some milliseconds.
constexpr int steps_between_looks = 10'000;

constexpr std::string_view prefix = "ledger-";
constexpr std::string_view suffix = ".db";
constexpr const char* given_up = "The copy was abandoned because the daemon is stopping.";
constexpr const char* moment_format = "%Y%m%dT%H%M%SZ";

int gives_up(void* goes_on) {
    return (*static_cast<const GoesOn*>(goes_on))() ? 0 : 1;
}

Check unreadable(const Database& database, const Error& error) {
    const int code = sqlite3_errcode(database.handle()) & 0xff;
    if (code == SQLITE_INTERRUPT) return {Soundness::unfinished, {}};
    const Soundness soundness = code == SQLITE_CORRUPT  ? Soundness::damaged
                                : code == SQLITE_NOTADB ? Soundness::no_database
                                                        : Soundness::unknown;
    return {soundness, error.text};
}

Check check_open(Database& database, const GoesOn& goes_on) {
    // The header and the list of tables are read first, even if `goes_on` stops at once. SQLite's check makes
    // its first call only after a whole tree, which takes long in a large file.
    if (const auto tables = database.integer("SELECT count(*) FROM sqlite_schema"); !tables)
        return unreadable(database, tables.error());
    if (goes_on && !goes_on()) return {Soundness::unfinished, {}};
    if (goes_on) {
        sqlite3_progress_handler(database.handle(), steps_between_looks, gives_up,
                                 const_cast<GoesOn*>(&goes_on));
    }
    Statement check(database, "PRAGMA quick_check(10)");
    Cursor cursor = check.run();
    std::string findings;
    for (;;) {
        const auto more = cursor.next();
        if (!more) return unreadable(database, more.error());
        if (!*more) break;
        findings += (findings.empty() ? "" : "; ") + cursor.column<std::string>(0);
    }
    if (findings == "ok") return {};
    return {Soundness::damaged, database.damaged(findings).text};
}

/// Copies the state of one moment. The source's transaction stays open, because otherwise each commit of the
/// daemon would restart the copy.
Result<void> copy_pages(Database& source, Database& copy, const GoesOn& goes_on) {
    if (auto begun = source.begin_read(); !begun) return begun;
    auto* backup = sqlite3_backup_init(copy.handle(), "main", source.handle(), "main");
    if (!backup) return tl::unexpected(copy.error(sqlite3_extended_errcode(copy.handle())));
    int stepped = SQLITE_OK;
    while (stepped == SQLITE_OK && (!goes_on || goes_on())) {
        stepped = sqlite3_backup_step(backup, part_pages);
        if (stepped == SQLITE_OK) std::this_thread::sleep_for(pause_between_parts);
    }
    const int finished = sqlite3_backup_finish(backup);
    source.roll_back();
    if (stepped == SQLITE_DONE && finished == SQLITE_OK) return {};
    if (stepped == SQLITE_OK) return fail(given_up);
    return tl::unexpected(copy.error(finished != SQLITE_OK ? finished : stepped));
}

/// Copies into one plain file, which can be read where nothing can be written beside it.
Result<std::unique_ptr<Database>> copy_plain(Database& source, const fs::path& to, const GoesOn& goes_on) {
    auto copy = Database::open(to, Database::Access::write);
    if (!copy) return copy;
    if (auto copied = copy_pages(source, **copy, goes_on); !copied) return tl::unexpected(copied.error());
    if (auto plain = (*copy)->execute("PRAGMA journal_mode = DELETE"); !plain)
        return tl::unexpected(plain.error());
    return copy;
}

Result<void> copy_checked(const fs::path& file, const fs::path& to, const GoesOn& goes_on) {
    auto source = Database::open(file, Database::Access::read);
    if (!source) return tl::unexpected(source.error());
    auto copy = copy_plain(**source, to, goes_on);
    if (!copy) return tl::unexpected(copy.error());
    const Check check = check_open(**copy, goes_on);
    if (check.soundness == Soundness::sound) return {};
    return fail(check.soundness == Soundness::unfinished ? given_up : check.text);
}

std::optional<Instant> made_at(const std::string& name) {
    if (!name.starts_with(prefix) || !name.ends_with(suffix)) return std::nullopt;
    std::string text = name.substr(prefix.size());
    constexpr std::string_view shape = "20260301T030000Z.db";
    if (text.size() != shape.size()) return std::nullopt;
    // In the form of RFC 3339: 2026-03-01T03:00:00Z.
    text.resize(shape.size() - suffix.size());
    for (const auto& [at, mark] : {std::pair{4, '-'}, {7, '-'}, {13, ':'}, {16, ':'}})
        text.insert(text.begin() + at, mark);
    const auto moment = parse_rfc3339(text);
    return moment ? std::optional(*moment) : std::nullopt;
}

}  // namespace

std::string name_part(Instant t) {
    return date::format(moment_format, date::floor<std::chrono::seconds>(t));
}

Check quick_check(const fs::path& file, const GoesOn& goes_on) {
    auto database = Database::open(file, Database::Access::read);
    if (!database) return {Soundness::unknown, database.error().text};
    return check_open(**database, goes_on);
}

Result<void> back_up(const fs::path& file, const fs::path& to, const GoesOn& goes_on) {
    auto partial = to;
    partial += ".part";
    const auto remove_partial = [&] {
        std::error_code ignored;
        fs::remove(partial, ignored);
        fs::remove(partial.string() + "-journal", ignored);
    };
    remove_partial();  // What a killed copy may have left.
    if (auto copied = copy_checked(file, partial, goes_on); !copied) {
        remove_partial();
        return copied;
    }
    std::error_code failed;
    fs::rename(partial, to, failed);
    if (failed) {
        return fail("The backup " + partial.string() + " is complete but cannot be renamed to " +
                    to.string() + ": " + failed.message() + ". Check the directory's owner and mode.");
    }
    return sync_directory(to.parent_path());
}

Result<void> copy_open(Database& source, const fs::path& to) {
    const auto copy = copy_plain(source, to, {});
    if (!copy) return tl::unexpected(copy.error());
    return {};
}

Result<std::vector<Backup>> Backups::list() const {
    std::vector<Backup> backups;
    std::error_code failed;
    for (fs::directory_iterator at(directory_, failed), end; !failed && at != end; at.increment(failed)) {
        const auto moment = made_at(at->path().filename().string());
        std::error_code ignored;
        if (moment && at->is_regular_file(ignored))
            backups.push_back({at->path(), *moment, at->file_size(ignored)});
    }
    if (failed && failed != std::errc::no_such_file_or_directory) {
        return fail(
            fmt::format("The directory {} for backups cannot be read: {}. Check [store] "
                        "backup_directory, its owner and mode, and its disk.",
                        directory_.string(), failed.message()));
    }
    std::sort(backups.begin(), backups.end(),
              [](const Backup& a, const Backup& b) { return a.made_at < b.made_at; });
    return backups;
}

Result<Backup> Backups::make(const fs::path& ledger, Instant now, std::int64_t keep,
                             const GoesOn& goes_on) const {
    std::error_code failed;
    fs::create_directories(directory_, failed);
    if (failed) {
        return fail(
            fmt::format("The directory {} for backups cannot be created: {}. Check [store] "
                        "backup_directory, its owner and mode, and that its disk is mounted.",
                        directory_.string(), failed.message()));
    }
    // Where old backups cannot be found, and so not removed, new ones would fill the disk.
    if (const auto old = list(); !old) return tl::unexpected(old.error());
    const fs::path file = directory_ / fmt::format("{}{}{}", prefix, name_part(now), suffix);
    if (auto made = back_up(ledger, file, goes_on); !made) {
        return fail(fmt::format("The backup {} was not made. {}", file.string(), made.error().text));
    }
    const auto backups = list();
    if (!backups) return tl::unexpected(backups.error());
    const auto kept = static_cast<std::size_t>(keep);
    for (std::size_t oldest = 0; backups->size() - oldest > kept; ++oldest) {
        // The new backup stays, even if the others have later names because a clock was wrong.
        const fs::path& old = (*backups)[oldest].file;
        if (old != file) fs::remove(old, failed);
    }
    return Backup{file, date::floor<std::chrono::seconds>(now), fs::file_size(file, failed)};
}

}  // namespace tickledger
