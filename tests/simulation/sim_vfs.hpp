// A disk in memory for SQLite: it forgets at a power cut what was not synced, fills up and fails as told.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "support/sim_files.hpp"

namespace tickledger::simulation {

/// An SQLite VFS whose files live in this object, registered under a name of its own for as long as it lives.
/// For one connection a file and one thread, without shared memory: what a ledger opened alone asks for. The
/// same seed and the same calls give the same power cuts.
class SimVfs {
public:
    explicit SimVfs(std::uint64_t seed);
    ~SimVfs();
    SimVfs(const SimVfs&) = delete;
    SimVfs& operator=(const SimVfs&) = delete;

    [[nodiscard]] const std::string& name() const;

    /// Asked before each write, truncation, sync and removal. False: it does nothing and fails with
    /// SQLITE_IOERR.
    void ask_before_writes(std::function<bool()> may_write);

    /// Files grow by this many bytes more; then a write beyond a file's end fails with SQLITE_FULL.
    void set_free_bytes(std::uint64_t bytes);
    /// The next so many writes or syncs fail with SQLITE_IOERR and do nothing.
    void fail_writes(int calls);
    void fail_syncs(int calls);

    /// What was not synced is forgotten or, with `tears`, kept in any subset of its sectors of 512 bytes, or
    /// up to a point in the order of writing. Files that were open go on as the content that is left.
    void cut_power(test::PowerCut how);

    /// For set-up and inspection.
    [[nodiscard]] std::uint64_t size_bytes(const std::string& file) const;
    [[nodiscard]] std::uint64_t written_bytes() const;

    class Disk;

private:
    std::unique_ptr<Disk> disk_;
};

}  // namespace tickledger::simulation
