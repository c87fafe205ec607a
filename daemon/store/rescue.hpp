// Sets a damaged ledger aside, and restores it from the newest sound backup.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "store/backup.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// The result of the check before the ledger is opened.
struct Rescue {
    /// What was found and what was done about it, for people. Empty: nothing was wrong.
    std::string told;
    /// The file is too large to be checked in the given time. Check it later, beside the booking.
    bool is_unchecked = false;
};

/// Checks a ledger of 16 MiB or less, for at most `check_longest`. Of a larger one it checks only that it is
/// a database. A ledger that is damaged, or missing while there are backups, is set aside
/// (ledger.damaged-20260301T030000Z.db, with its -wal) and replaced by the newest backup that is sound.
/// Messages accepted after that backup are booked again from the message log, because the backup holds its
/// place in the log. Fails, and changes nothing, if no backup is sound, if the backups cannot be listed, or
/// if the last rescue was less than an hour ago. A file that never was a ledger and has no backup beside it
/// is left alone. Precondition: the writer's lock is held. The rescue is idempotent, wherever it is killed.
[[nodiscard]] Result<Rescue> rescue_ledger(const std::filesystem::path& ledger, const Backups& backups,
                                           Instant now, Duration check_longest);

/// Notes that the ledger was found damaged while it was in use. The next start then sets it aside. Fails if
/// the note is not on the disk, with what a person can do instead.
[[nodiscard]] Result<void> note_damage(const std::filesystem::path& ledger, const std::string& found);

/// What the last rescue reported, as long as the file that it set aside is kept. Nothing: there is none.
[[nodiscard]] std::optional<std::string> last_rescue(const std::filesystem::path& ledger);

}  // namespace tickledger
