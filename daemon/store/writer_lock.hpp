// One writer for each ledger: a lock of the operating system, held for the life of the process.
#pragma once

#include <filesystem>
#include <utility>

#include "tickledger/result.hpp"

namespace tickledger {

/// Why a ledger could not be opened.
struct LedgerOpenError : Error {
    /// Another process is its writer (a daemon, a replay): exit status 75. Otherwise 74.
    bool held_by_another = false;
};

/// The lock on "<ledger>.lock". The kernel releases it when the process ends, however it ends. The file
/// itself stays, because removing it would let two processes lock two files of the same name.
class WriterLock {
public:
    /// Takes the lock without waiting. Writes the process id into the file, for people and for the error
    /// message of another process.
    [[nodiscard]] static tl::expected<WriterLock, LedgerOpenError> take(const std::filesystem::path& ledger);

    WriterLock() = default;  ///< Holds nothing.
    WriterLock(WriterLock&& other) noexcept : descriptor_(std::exchange(other.descriptor_, -1)) {}
    WriterLock& operator=(WriterLock&& other) noexcept {
        std::swap(descriptor_, other.descriptor_);
        return *this;
    }
    ~WriterLock();

    /// Whether the lock file's name still leads to the locked file.
    [[nodiscard]] bool is_in_place(const std::filesystem::path& ledger) const;

private:
    explicit WriterLock(int descriptor) : descriptor_(descriptor) {}

    int descriptor_ = -1;
};

}  // namespace tickledger
