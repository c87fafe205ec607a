// The daemon's store, opened and ready to continue where the last daemon stopped, however it stopped.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "book/bookkeeper.hpp"
#include "store/files.hpp"
#include "store/ledger.hpp"
#include "store/message_log.hpp"

namespace tickledger {

/// Below <store.directory>.
inline constexpr const char* ledger_name = "ledger.db";
inline constexpr const char* messages_name = "messages";

struct UnusableStore {
    std::string text;  ///< What is wrong, where, and what to do.
    bool held_by_another = false;
};

struct OpenedStore {
    std::unique_ptr<Ledger> ledger;
    std::unique_ptr<MessageLog> log;
    std::unique_ptr<Bookkeeper> bookkeeper;  ///< Loaded; refers to `ledger`.
    /// The place in the log up to which the ledger is booked.
    LogPosition booked_to;
    /// The place that the ledger held. Beyond `booked_to` if a power cut left its last batch but not the
    /// lines that it came from.
    LogPosition ledger_was_at;
    std::uint64_t pending_messages = 0;  ///< Accepted, but not booked yet.
    /// Some of these wait for the server's clock to be set.
    bool has_undated = false;
    /// Lines after `booked_to` that could not be read, or whose stamp is of another day than their file.
    std::uint64_t damaged_lines = 0;
    /// Files of the message log whose names gave impossible days. These are the names that they were renamed
    /// to.
    std::vector<std::string> put_aside;
    /// The civil time cannot be earlier than this.
    Instant clock_floor{};
    /// At the start, a clock that no time service keeps is believed up to this long after that.
    Duration clock_reach{};
};

/// Opens the ledger and the log in `directory`, makes them if they are missing, and notes in the log that the
/// link was down. `meters` must outlive the result. `release`: no message is older than this. `vfs`: the name
/// of the SQLite VFS; empty: the default.
[[nodiscard]] tl::expected<OpenedStore, UnusableStore> open_store(
    Files& files, const std::filesystem::path& directory, const std::vector<MeterSettings>& meters,
    std::size_t max_meters, const CivilZone& zone, Instant release, const std::string& vfs = {},
    WalIndex index = WalIndex::file);

}  // namespace tickledger
