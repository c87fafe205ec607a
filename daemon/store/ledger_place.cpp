#include "store/ledger_place.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <system_error>

#include "store/backup.hpp"
#include "store/files.hpp"

namespace tickledger {

namespace {

namespace fs = std::filesystem;

Result<void> sync(const fs::path& path, int flags) {
    const int descriptor = ::open(path.c_str(), flags | O_CLOEXEC);
    const bool is_synced = descriptor >= 0 && ::fsync(descriptor) == 0;
    const int reason = errno;
    if (descriptor >= 0) ::close(descriptor);
    if (is_synced) return {};
    return fail("Cannot sync " + path.string() + " to the disk: " + std::generic_category().message(reason) +
                ".");
}

}  // namespace

std::optional<LedgerPlace::Identity> LedgerPlace::identity(const fs::path& file) {
    struct stat status {};
    if (::lstat(file.c_str(), &status) != 0) return std::nullopt;
    return Identity{status.st_dev, status.st_ino};
}

void LedgerPlace::remember() {
    const std::lock_guard lock(mutex_);
    ledger_ = identity(file_);
    wal_ = identity(wal_file_);
    shm_ = identity(shm_file_);
}

bool LedgerPlace::is_in_place() const {
    const std::lock_guard lock(mutex_);
    return identity(file_) == ledger_ && (!wal_ || identity(wal_file_) == wal_) &&
           (!shm_ || identity(shm_file_) == shm_);
}

Result<void> LedgerPlace::make_directory() const {
    std::error_code failed;
    fs::create_directories(file_.parent_path(), failed);
    if (!failed) return {};
    return fail("Cannot make the directory " + file_.parent_path().string() + ": " + failed.message() + ".");
}

Result<void> LedgerPlace::write_anew(Database& open) const {
    std::error_code failed;
    const fs::path anew = with(".anew");
    fs::remove(anew, failed);
    if (auto copied = copy_open(open, anew); !copied) {
        fs::remove(anew, failed);
        return copied;
    }
    if (auto synced = sync(anew, O_RDONLY); !synced) return synced;
    const auto there = identity(file_);
    const bool is_strange = there && [&] {
        const std::lock_guard lock(mutex_);
        return there != ledger_;
    }();
    failed.clear();
    if (is_strange) fs::rename(file_, free_name_aside(file_), failed);
    if (failed) return fail("Cannot put " + file_.string() + " aside: " + failed.message() + ".");
    // They belong to the file that was here, and would be taken for parts of the new one.
    for (const fs::path& part : {wal_file_, shm_file_})
        fs::remove(part, failed);
    fs::rename(anew, file_, failed);
    if (failed) return fail("Cannot recreate " + file_.string() + ": " + failed.message() + ".");
    return sync(file_.parent_path(), O_RDONLY | O_DIRECTORY);
}

}  // namespace tickledger
