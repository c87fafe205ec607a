// The place of the ledger's files while they are open. A person or a program may remove or replace them.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <mutex>
#include <optional>
#include <string>

#include "store/database.hpp"

namespace tickledger {

/// For the booking thread, except where noted.
class LedgerPlace {
public:
    explicit LedgerPlace(std::filesystem::path file)
        : file_(std::move(file)), wal_file_(with("-wal")), shm_file_(with("-shm")) {}

    /// Remembers the files that now have these names as ours. Precondition: the file was opened and read.
    void remember();
    /// Whether the names of the file, of its write-ahead log and of its shared memory still lead to the
    /// remembered files. Any thread.
    [[nodiscard]] bool is_in_place() const;
    /// Makes the file's directory if it is missing.
    [[nodiscard]] Result<void> make_directory() const;
    /// Writes everything that `open` has committed under the name again, durably. Precondition: `open` is not
    /// in place. Another file in its place is put aside first. After this, reopen the database and call
    /// remember().
    [[nodiscard]] Result<void> write_anew(Database& open) const;

private:
    struct Identity {
        dev_t device = 0;
        ino_t inode = 0;
        bool operator==(const Identity&) const = default;
    };
    [[nodiscard]] static std::optional<Identity> identity(const std::filesystem::path& file);
    [[nodiscard]] std::filesystem::path with(const char* ending) const { return file_.string() + ending; }

    const std::filesystem::path file_, wal_file_, shm_file_;
    mutable std::mutex mutex_;
    std::optional<Identity> ledger_;
    std::optional<Identity> wal_;
    std::optional<Identity> shm_;
};

}  // namespace tickledger
