// A ledger that is found damaged is set aside, and made anew from the newest backup.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "store/backup.hpp"
#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

/// What was looked at before the ledger is opened.
struct Rescue {
    /// What was found and what became of it, for people; empty: nothing was wrong.
    std::string told;
    /// The file is too large to be checked in the time given: check it later, beside the booking.
    bool is_unchecked = false;
};

/// Checks a ledger of 16 MiB or less for at most `check_longest`; of a larger one only that it is a database.
/// One that is damaged, or missing while there are backups, is set aside (ledger.damaged-20260301T030000Z.db,
/// with its -wal) and replaced by the newest backup that is sound. What was accepted after that backup is
/// booked anew from the message log, whose place the backup knows. Fails, and changes nothing, where no
/// backup is sound, or the last rescue was less than an hour ago. A file that never was a ledger and has no
/// backup beside it is left alone. Precondition: the writer's lock is held. The rescue is idempotent,
/// wherever it is killed.
[[nodiscard]] Result<Rescue> rescue_ledger(const std::filesystem::path& ledger, const Backups& backups,
                                           Instant now, Duration check_longest);

/// Notes that the ledger was found damaged while it was in use, so that the next start sets it aside.
void note_damage(const std::filesystem::path& ledger, const std::string& found);

/// What the last rescue told, for as long as the file that it set aside is kept. Nothing: there is none.
[[nodiscard]] std::optional<std::string> last_rescue(const std::filesystem::path& ledger);

}  // namespace tickledger
