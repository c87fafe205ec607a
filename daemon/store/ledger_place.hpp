// Where the ledger's files lie while they are open: a person or a program may remove or replace them.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <mutex>
#include <optional>
#include <string>

#include "store/database.hpp"

namespace tickledger {

/// The booking thread's, but for what says otherwise.
class LedgerPlace {
public:
    explicit LedgerPlace(std::filesystem::path file)
        : file_(std::move(file)), wal_file_(with("-wal")), shm_file_(with("-shm")) {}

    /// Takes what lies under the names now for ours. Precondition: the file was opened and read.
    void remember();
    /// Whether the names of the file, of its write-ahead log and of their shared memory still lead to what
    /// was remembered. Any thread.
    [[nodiscard]] bool is_in_place() const;
    /// Makes the file's directory where it is missing.
    [[nodiscard]] Result<void> make_directory() const;
    /// Writes all that `open`, which is not in place, has committed anew under the name, durably, after
    /// another file in its place was put aside. Open it anew then, and remember that.
    [[nodiscard]] Result<void> write_anew(Database& open) const;

private:
    struct Identity {
        dev_t device = 0;
        ino_t inode = 0;
        bool operator==(const Identity&) const = default;
    };
    [[nodiscard]] static std::optional<Identity> identity(const std::filesystem::path& file);
    [[nodiscard]] std::filesystem::path with(const char* ending) const { return file_.string() + ending; }
    [[nodiscard]] std::filesystem::path free_name_aside() const;

    const std::filesystem::path file_, wal_file_, shm_file_;
    mutable std::mutex mutex_;
    std::optional<Identity> ledger_;
    std::optional<Identity> wal_;
    std::optional<Identity> shm_;
};

}  // namespace tickledger
