// The housekeeping thread: makes backups of the ledger, and checks its file where there is reason to.
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
    /// Why the last try at a backup failed; empty: it did not.
    std::string trouble;
};

/// Works on read-only connections of its own, so that booking never waits for it.
class Housekeeper {
public:
    struct Parts {
        StoreSettings store;
        std::filesystem::path ledger;
        /// The ledger was not checked whole at the start, because that would have taken too long.
        bool is_unchecked = false;
        /// Whether the file's name leads to the ledger that is written. Any thread.
        std::function<bool()> is_in_place;
        /// The time, or nothing while the clock is not set.
        std::function<std::optional<Instant>()> now;
        /// The ledger's file is damaged, as the sentence says. Called once, on this thread.
        std::function<void(const std::string&)> on_damage;
        /// After a backup that failed. A try copies until it fails: one each round would wear a full disk,
        /// and take its last room from the messages.
        std::chrono::steady_clock::duration try_again_after = std::chrono::minutes{10};
    };

    explicit Housekeeper(Parts parts);
    /// Gives up what it is doing.
    ~Housekeeper();
    Housekeeper(const Housekeeper&) = delete;
    Housekeeper& operator=(const Housekeeper&) = delete;

    /// Booking stands still: the file may be the reason. Any thread.
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
    std::chrono::steady_clock::time_point next_try_{};  ///< Of a backup that failed. Of the thread.

    mutable std::mutex mutex_;
    std::condition_variable wake_;
    bool stop_ = false;
    bool is_suspect_ = false;
    HouseState state_;

    std::thread thread_;
};

}  // namespace tickledger
