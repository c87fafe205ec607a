// Copies of the ledger, made while it is being written, and the check of a whole file.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "tickledger/result.hpp"
#include "tickledger/time.hpp"

namespace tickledger {

class Database;

/// Called now and then during long work. Returns false to stop the work.
using GoesOn = std::function<bool()>;

enum class Soundness : std::uint8_t {
    sound,
    damaged,
    no_database,  ///< Damaged from its first bytes on, or never a database.
    unfinished,   ///< Stopped early; nothing was found so far.
    unknown,      ///< The file cannot be read, or is in use.
};

struct Check {
    Soundness soundness = Soundness::sound;
    std::string text;  ///< What was found, in a sentence; empty if sound or unfinished.
};

/// Reads the whole file and checks its structure (SQLite's quick_check). Changes nothing.
[[nodiscard]] Check quick_check(const std::filesystem::path& file, const GoesOn& goes_on = {});

/// Copies the ledger as it is at one moment, while another connection goes on booking. The copy is one file.
/// It is checked and on the disk before it replaces `to`. Fails if the source turns out to be damaged, if
/// there is no room, or if `goes_on` stopped it.
[[nodiscard]] Result<void> back_up(const std::filesystem::path& file, const std::filesystem::path& to,
                                   const GoesOn& goes_on = {});

/// Copies from a connection that is open already, even if its file's name was removed or replaced. The copy
/// is neither checked nor forced to the disk. Precondition: no transaction is open.
[[nodiscard]] Result<void> copy_open(Database& source, const std::filesystem::path& to);

struct Backup {
    std::filesystem::path file;
    Instant made_at{};  ///< To the second.
    std::uintmax_t size_bytes = 0;
};

/// The backups in a directory: files with names such as ledger-20260301T030000Z.db.
class Backups {
public:
    explicit Backups(std::filesystem::path directory) : directory_(std::move(directory)) {}

    /// The oldest first. Empty if there is no such directory; fails if it cannot be read.
    [[nodiscard]] Result<std::vector<Backup>> list() const;
    /// Makes a backup of `ledger` and removes the oldest ones beyond `keep`.
    [[nodiscard]] Result<Backup> make(const std::filesystem::path& ledger, Instant now, std::int64_t keep,
                                      const GoesOn& goes_on = {}) const;

    [[nodiscard]] const std::filesystem::path& directory() const { return directory_; }

private:
    std::filesystem::path directory_;
};

/// "20260301T030000Z": a moment as part of a file's name (ISO 8601, basic format).
[[nodiscard]] std::string name_part(Instant t);

}  // namespace tickledger
