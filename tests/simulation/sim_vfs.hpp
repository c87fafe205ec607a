// A disk in memory for SQLite: it loses unsynced writes at a power cut, and fills up and fails on demand.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "support/sim_files.hpp"

namespace tickledger::simulation {

/// An SQLite VFS whose files live in this object. It is registered under a unique name as long as the object
/// lives. It serves one connection a file and one thread, without shared memory, which is all that a ledger
/// opened alone needs. The same seed and the same calls give the same power cuts.
class SimVfs {
public:
    explicit SimVfs(std::uint64_t seed);
    ~SimVfs();
    SimVfs(const SimVfs&) = delete;
    SimVfs& operator=(const SimVfs&) = delete;

    [[nodiscard]] const std::string& name() const;

    /// Called before each write, truncation, sync and removal. If it returns false, the call does nothing and
    /// fails with SQLITE_IOERR.
    void ask_before_writes(std::function<bool()> may_write);

    /// Files can grow by this many bytes; then a write beyond a file's end fails with SQLITE_FULL.
    void set_free_bytes(std::uint64_t bytes);
    /// The next `calls` writes or syncs do nothing and fail with SQLITE_IOERR.
    void fail_writes(int calls);
    void fail_syncs(int calls);

    /// Unsynced writes are lost. With `tears`, any subset of their sectors of 512 bytes survives, or all
    /// writes up to some point. Open files keep the content that is left.
    void cut_power(test::PowerCut how);

    /// For inspection by tests.
    [[nodiscard]] std::uint64_t size_bytes(const std::string& file) const;
    [[nodiscard]] std::uint64_t written_bytes() const;

    class Disk;

private:
    std::unique_ptr<Disk> disk_;
};

}  // namespace tickledger::simulation
