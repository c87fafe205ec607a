#include "store/writer_lock.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <string>
#include <string_view>
#include <system_error>

namespace tickledger {
namespace {

/// The process id in the lock file. Empty if it holds none, because the other process is just starting.
std::string holder_of(int descriptor) {
    std::array<char, 32> text{};
    const auto size = ::pread(descriptor, text.data(), text.size(), 0);
    if (size <= 0) return {};
    const std::string_view read(text.data(), static_cast<std::size_t>(size));
    return std::string(read.substr(0, read.find_first_not_of("0123456789")));
}

tl::unexpected<LedgerOpenError> held(const std::filesystem::path& ledger, const std::string& holder) {
    return tl::unexpected(LedgerOpenError{
        {"The ledger " + ledger.string() + " is in use by " +
         (holder.empty() ? std::string("another process") : "process " + holder) +
         ". A ledger has one writer at a time: stop the daemon or wait for the replay to end, "
         "or book into another file."},
        true});
}

tl::unexpected<LedgerOpenError> unusable(const std::filesystem::path& lock, int reason) {
    return tl::unexpected(LedgerOpenError{
        {"The lock file " + lock.string() + " cannot be used: " + std::generic_category().message(reason) +
         ". Check that its directory exists and belongs to the user that the daemon runs as."},
        false});
}

}  // namespace

tl::expected<WriterLock, LedgerOpenError> WriterLock::take(const std::filesystem::path& ledger) {
    auto file = ledger;
    file += ".lock";
    const int descriptor = ::open(file.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0640);
    if (descriptor < 0) return unusable(file, errno);
    WriterLock lock(descriptor);
    if (::flock(descriptor, LOCK_EX | LOCK_NB) != 0) {
        const int reason = errno;
        if (reason == EWOULDBLOCK) return held(ledger, holder_of(descriptor));
        return unusable(file, reason);
    }
    // The number only informs. If it cannot be written, the lock still holds.
    const std::string pid = std::to_string(::getpid()) + "\n";
    if (::ftruncate(descriptor, 0) == 0) (void)!::pwrite(descriptor, pid.data(), pid.size(), 0);
    return lock;
}

bool WriterLock::is_in_place(const std::filesystem::path& ledger) const {
    struct stat ours {};
    struct stat named {};
    return descriptor_ >= 0 && ::fstat(descriptor_, &ours) == 0 &&
           ::lstat((ledger.string() + ".lock").c_str(), &named) == 0 && ours.st_dev == named.st_dev &&
           ours.st_ino == named.st_ino;
}

WriterLock::~WriterLock() {
    if (descriptor_ >= 0) ::close(descriptor_);
}

}  // namespace tickledger
