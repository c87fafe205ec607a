#include "store/rescue.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <fstream>
#include <sstream>
#include <system_error>
#include <vector>

#include "store/files.hpp"

namespace tickledger {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view aside_mark = ".damaged-";
constexpr Duration between_rescues = std::chrono::hours{1};

fs::path mark_of(const fs::path& ledger) {
    return ledger.string() + ".damage-found";
}

std::string read_text(const fs::path& file) {
    std::ifstream in(file);
    std::ostringstream text;
    text << in.rdbuf();
    return std::move(text).str();
}

/// The ledgers that were set aside, the oldest first: ledger.damaged-20260301T030000Z.db.
std::vector<fs::path> set_aside(const fs::path& ledger) {
    std::vector<fs::path> found;
    const std::string prefix = ledger.stem().string() + std::string(aside_mark);
    std::error_code failed;
    for (fs::directory_iterator at(ledger.parent_path(), failed), end; !failed && at != end;
         at.increment(failed)) {
        const std::string name = at->path().filename().string();
        if (name.starts_with(prefix) && name.ends_with(".db")) found.push_back(at->path());
    }
    std::sort(found.begin(), found.end());
    return found;
}

fs::path story_of(fs::path aside) {
    return aside.replace_extension(".txt");
}

bool is_missing(const fs::path& ledger) {
    std::error_code failed;
    const auto size = fs::file_size(ledger, failed);
    return failed || size == 0;
}

// A check that cannot finish in time would only delay the start. (This size takes a tenth of a second on a
// small board.)
constexpr std::uintmax_t begun_bytes_max = 16 * 1024 * 1024;

/// What is wrong with the ledger. Nothing: it is sound, or new, or must not be touched.
std::optional<std::string> damage_of(const fs::path& ledger, bool has_backups, Duration check_longest,
                                     Rescue& rescue) {
    if (std::error_code ignored; fs::exists(mark_of(ledger), ignored)) {
        const std::string found = read_text(mark_of(ledger));
        return found.empty() ? fmt::format("The ledger {} was found damaged.", ledger.string()) : found;
    }
    if (is_missing(ledger)) {
        if (!has_backups) return std::nullopt;
        return fmt::format("The ledger {} is missing or empty.", ledger.string());
    }
    const auto began = std::chrono::steady_clock::now();
    std::error_code ignored;
    const bool is_large = fs::file_size(ledger, ignored) > begun_bytes_max;
    const Check check = quick_check(
        ledger, [&] { return !is_large && std::chrono::steady_clock::now() - began < check_longest; });
    rescue.is_unchecked = check.soundness == Soundness::unfinished;
    const bool was_ledger = check.soundness == Soundness::no_database && has_backups;
    if (check.soundness == Soundness::damaged || was_ledger) return check.text;
    return std::nullopt;
}

/// Renames the file, its write-ahead log first: left beside a restored ledger, the log would damage it.
Result<fs::path> set_ledger_aside(const fs::path& ledger, Instant now) {
    const fs::path aside =
        ledger.parent_path() / fmt::format("{}{}{}.db", ledger.stem().string(), aside_mark, name_part(now));
    for (const char* part : {"-wal", "-shm", ""}) {
        std::error_code failed;
        const fs::path from = ledger.string() + part;
        if (!fs::exists(from, failed)) continue;
        fs::rename(from, aside.string() + part, failed);
        if (failed) {
            return fail(
                fmt::format("{} is damaged and cannot be set aside: {}. Check the directory's owner and "
                            "mode, and the disk.",
                            from.string(), failed.message()));
        }
    }
    return aside;
}

/// The newest backup that is whole.
std::optional<Backup> sound_backup(std::vector<Backup> all) {
    for (; !all.empty(); all.pop_back()) {
        if (quick_check(all.back().file).soundness == Soundness::sound) return all.back();
    }
    return std::nullopt;
}

/// A rescue that was cut short has no story file yet, and does not count.
bool was_rescued_since(const fs::path& ledger, Instant moment) {
    const auto all = set_aside(ledger);
    const std::string earliest =
        fmt::format("{}{}{}.db", ledger.stem().string(), aside_mark, name_part(moment));
    return std::any_of(all.begin(), all.end(), [&](const fs::path& aside) {
        std::error_code ignored;
        return aside.filename().string() > earliest && fs::exists(story_of(aside), ignored);
    });
}

}  // namespace

Result<Rescue> rescue_ledger(const fs::path& ledger, const Backups& backups, Instant now,
                             Duration check_longest) {
    Rescue rescue;
    const auto all = backups.list();
    // Backups that cannot be listed may be there. A missing ledger is then no reason to begin a new one.
    const auto damage = damage_of(ledger, !all || !all->empty(), check_longest, rescue);
    if (!damage) return rescue;
    if (!all) return fail(fmt::format("{} {} Nothing was changed.", *damage, all.error().text));

    const auto backup = sound_backup(*all);
    if (!backup) {
        return fail(fmt::format(
            "{} There is no sound backup of it in {}, so nothing was changed. Put a backup there, "
            "or correct [store] backup_directory. To start a new ledger from the message log "
            "instead, move {} away.",
            *damage, backups.directory().string(), ledger.string()));
    }
    if (was_rescued_since(ledger, now - between_rescues)) {
        return fail(
            fmt::format("{} It was already restored from a backup within the last hour, so the disk or the "
                        "memory of this computer cannot be trusted. Check both before you start again; "
                        "nothing was changed this time.",
                        *damage));
    }
    const auto aside = set_ledger_aside(ledger, now);
    if (!aside) return tl::unexpected(aside.error());
    if (auto restored = back_up(backup->file, ledger); !restored) {
        return fail(fmt::format("{} It was set aside as {}, but could not be restored from {}: {}", *damage,
                                aside->string(), backup->file.string(), restored.error().text));
    }
    std::error_code ignored;
    fs::remove(mark_of(ledger), ignored);
    const bool had_file = fs::exists(*aside, ignored);
    rescue.told = fmt::format(
        "{} It was restored from the backup of {}, and the messages since then were booked again from the "
        "message log.",
        *damage, format_utc(backup->made_at));
    if (had_file) {
        rescue.told += fmt::format(
            " The damaged file is kept as {}; when you no longer need it, remove it, and this notice "
            "disappears.",
            aside->string());
        std::ofstream(story_of(*aside)) << rescue.told;
    }
    return rescue;
}

Result<void> note_damage(const fs::path& ledger, const std::string& found) {
    const auto files = machine_files();
    const auto noted = files->open_append(mark_of(ledger)).and_then([&](const auto& mark) {
        return mark->truncate(0).and_then([&] { return mark->append(found); }).and_then([&] {
            return mark->sync();
        });
    });
    if (noted) return {};
    return fail(
        fmt::format("The damage could not be noted in {}. If the next start does not restore the ledger, "
                    "stop the daemon, move {} and its -wal away, and start it again.",
                    mark_of(ledger).string(), ledger.string()));
}

std::optional<std::string> last_rescue(const fs::path& ledger) {
    const auto aside = set_aside(ledger);
    if (aside.empty()) return std::nullopt;
    const std::string story = read_text(story_of(aside.back()));
    return story.empty() ? fmt::format("A damaged ledger was set aside as {}.", aside.back().string())
                         : story;
}

}  // namespace tickledger
