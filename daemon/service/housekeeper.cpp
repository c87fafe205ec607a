#include "service/housekeeper.hpp"

#include <malloc.h>

#include <utility>

#include "service/journal.hpp"

namespace tickledger {

namespace {

// A daily backup may be half a minute late.
constexpr auto round_every = std::chrono::seconds{30};

}  // namespace

Housekeeper::Housekeeper(Parts parts)
    : parts_(std::move(parts)), backups_(parts_.store.backups()), is_suspect_(parts_.is_unchecked) {
    // If they cannot be listed, the first backup says why.
    if (const auto all = backups_.list(); all && !all->empty()) {
        state_.last_backup = all->back();
        state_.backup_count = static_cast<std::int64_t>(all->size());
    }
    thread_ = std::thread([this] { run(); });
}

Housekeeper::~Housekeeper() {
    {
        const std::lock_guard lock(mutex_);
        stop_ = true;
    }
    wake_.notify_all();
    thread_.join();
}

void Housekeeper::suspect() {
    {
        const std::lock_guard lock(mutex_);
        is_suspect_ = true;
    }
    wake_.notify_all();
}

HouseState Housekeeper::state() const {
    const std::lock_guard lock(mutex_);
    return state_;
}

bool Housekeeper::goes_on() const {
    const std::lock_guard lock(mutex_);
    return !stop_;
}

void Housekeeper::run() {
    bool is_suspected = false;
    while (goes_on()) {
        is_suspected = take_suspicion() || is_suspected;
        // If another file is in the ledger's place, checking it would tell nothing about ours. SQLite would
        // also, on opening it, empty the index that is mapped for ours. The booking thread puts ours back.
        if (parts_.is_in_place()) {
            if (std::exchange(is_suspected, false)) look_at_ledger();
            back_up_if_due();
        }
        // Returns the memory of a burst (half a minute of messages after a reconnect) to the system; the C
        // library would keep it for the next one.
        ::malloc_trim(0);
        std::unique_lock lock(mutex_);
        wake_.wait_for(lock, round_every, [this] { return stop_ || is_suspect_; });
    }
}

bool Housekeeper::take_suspicion() {
    const std::lock_guard lock(mutex_);
    return std::exchange(is_suspect_, false);
}

void Housekeeper::look_at_ledger() {
    const Check check = quick_check(parts_.ledger, [this] { return goes_on(); });
    const bool is_damaged =
        check.soundness == Soundness::damaged || check.soundness == Soundness::no_database;
    if (is_damaged) parts_.on_damage(check.text);
}

void Housekeeper::back_up_if_due() {
    const StoreSettings& store = parts_.store;
    const auto now = parts_.now();
    if (store.keep_backups == 0 || !now || std::chrono::steady_clock::now() < next_try_) return;
    const auto last = state().last_backup;
    // A backup dated in the future was made while the clock was wrong. The last one may also have been
    // removed.
    std::error_code ignored;
    const bool is_there = last && std::filesystem::exists(last->file, ignored);
    if (is_there && last->made_at <= *now && *now - last->made_at < store.backup_every) return;

    const auto made = backups_.make(parts_.ledger, *now, store.keep_backups, [this] { return goes_on(); });
    if (!goes_on()) return;
    if (!made) next_try_ = std::chrono::steady_clock::now() + parts_.try_again_after;
    const auto all = backups_.list();
    bool is_news = false;
    {
        const std::lock_guard lock(mutex_);
        const std::string trouble = made ? std::string() : made.error().text;
        is_news = trouble != state_.trouble;
        state_.trouble = trouble;
        if (made) state_.last_backup = *made;
        if (all) state_.backup_count = static_cast<std::int64_t>(all->size());
        // The copy may have failed because the ledger is damaged.
        if (!made) is_suspect_ = true;
    }
    if (is_news && !made) journal(Level::error, made.error().text);
}

}  // namespace tickledger
