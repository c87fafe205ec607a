// The housekeeping thread. It makes backups of the ledger and checks the ledger's file when there is reason
// to.
#pragma once

#include <chrono>
#include <condition_variable>
#include <cstdint>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "configuration/configuration.hpp"
#include "store/backup.hpp"

namespace tickledger {

struct HouseState {
    std::optional<Backup> last_backup;
    std::int64_t backup_count = 0;
    /// Why the last backup failed; empty if it did not.
    std::string trouble;
};

/// Uses its own read-only connections, so that booking never waits for it.
class Housekeeper {
public:
    struct Parts {
        StoreSettings store;
        std::filesystem::path ledger;
        /// True if the whole ledger was not checked at the start, because that would have taken too long.
        bool is_unchecked = false;
        /// Whether the file's name still leads to the ledger that is being written. Any thread.
        std::function<bool()> is_in_place;
        /// The time, or nothing while the clock is not set.
        std::function<std::optional<Instant>()> now;
        /// Called once, on this thread, with a sentence, when the ledger's file is found to be damaged.
        std::function<void(const std::string&)> on_damage;
        /// How long to wait after a failed backup. A backup copies until it fails. Trying every round would
        /// wear a full disk and take its last free space from the messages.
        std::chrono::steady_clock::duration try_again_after = std::chrono::minutes{10};
    };

    explicit Housekeeper(Parts parts);
    /// Abandons a check or backup in progress.
    ~Housekeeper();
    Housekeeper(const Housekeeper&) = delete;
    Housekeeper& operator=(const Housekeeper&) = delete;

    /// Asks for a check, because booking has stopped and the file may be the reason. Any thread.
    void suspect();

    [[nodiscard]] HouseState state() const;

private:
    void run();
    [[nodiscard]] bool take_suspicion();
    void look_at_ledger();
    void back_up_if_due();
    [[nodiscard]] bool goes_on() const;

    const Parts parts_;
    const Backups backups_;
    std::chrono::steady_clock::time_point next_try_{};  ///< No backup is tried before this. Thread only.

    mutable std::mutex mutex_;
    std::condition_variable wake_;
    bool stop_ = false;
    bool is_suspect_ = false;
    HouseState state_;

    std::thread thread_;
};

}  // namespace tickledger
