#include "store/files.hpp"

#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <mutex>
#include <system_error>
#include <utility>

namespace tickledger {

namespace {

using std::filesystem::path;

/// What went wrong with a path, the system's reason, and what a person can do about it.
[[nodiscard]] tl::unexpected<Error> failed(const char* deed, const path& at, int reason) {
    std::string text = "Cannot " + std::string(deed) + " " + at.string() + ": " +
                       std::generic_category().message(reason) + ".";
    if (reason == ENOSPC || reason == EDQUOT) text += " Free some space; the daemon tries again by itself.";
    if (reason == EACCES || reason == EPERM) text += " Check the owner and the mode of the directory.";
    if (reason == ELOOP) {
        text += " It is a link, and links are not followed: put the file itself in its place.";
    }
    if (reason == EROFS) text += " The file system is read-only: check the disk.";
    return fail(std::move(text));
}

class Descriptor {
public:
    explicit Descriptor(int number) : number_(number) {}
    Descriptor(Descriptor&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
    Descriptor& operator=(Descriptor&& other) noexcept {
        std::swap(number_, other.number_);
        return *this;
    }
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;
    ~Descriptor() {
        if (number_ >= 0) ::close(number_);
    }
    [[nodiscard]] int number() const { return number_; }
    [[nodiscard]] bool open() const { return number_ >= 0; }

private:
    int number_;
};

/// Repeats a system call that a signal interrupted.
template <typename Call>
auto uninterrupted(Call call) {
    auto result = call();
    while (result < 0 && errno == EINTR)
        result = call();
    return result;
}

[[nodiscard]] Descriptor open_descriptor(const path& at, int flags) {
    constexpr mode_t mode = 0640;
    return Descriptor{uninterrupted([&] { return ::open(at.c_str(), flags | O_CLOEXEC, mode); })};
}

/// Opens nothing but a plain file, or a device (the tests use one that is always full). Follows no link and
/// waits for no pipe.
[[nodiscard]] Result<Descriptor> open_plain(const path& file, int flags) {
    Descriptor descriptor = open_descriptor(file, flags | O_NOFOLLOW | O_NONBLOCK);
    if (!descriptor.open()) return failed("open", file, errno);
    struct stat state {};
    if (::fstat(descriptor.number(), &state) != 0) return failed("look at", file, errno);
    if (S_ISREG(state.st_mode) || S_ISCHR(state.st_mode)) return descriptor;
    return fail("Cannot use " + file.string() + ": it is not a regular file. Move it away.");
}

class MachineAppendFile final : public AppendFile {
public:
    MachineAppendFile(Descriptor descriptor, path name, std::uint64_t size_bytes)
        : descriptor_(std::move(descriptor)), name_(std::move(name)), size_bytes_(size_bytes) {}

    Result<void> stay_in_place() override {
        looked_up_at_ = std::chrono::steady_clock::now();
        return is_in_place() ? Result<void>() : put_back();
    }
    std::string take_notice() override { return std::exchange(notice_, {}); }

    Result<void> append(std::string_view bytes) override {
        const bool is_time = std::chrono::steady_clock::now() - looked_up_at_ >= between_lookups;
        if (is_time || !is_whole()) {
            if (auto stayed = stay_in_place(); !stayed) return stayed;
        }
        while (!bytes.empty()) {
            const ssize_t written =
                uninterrupted([&] { return ::write(descriptor_.number(), bytes.data(), bytes.size()); });
            if (written < 0) return failed("write to", name_, errno);
            if (written == 0) return failed("write to", name_, ENOSPC);
            bytes.remove_prefix(static_cast<std::size_t>(written));
            size_bytes_ += static_cast<std::uint64_t>(written);
        }
        return {};
    }

    Result<void> sync() override {
        const std::lock_guard lock(sync_mutex_);
        if (uninterrupted([&] { return ::fdatasync(descriptor_.number()); }) != 0) {
            return failed("sync", name_, errno);
        }
        return {};
    }

    Result<void> truncate(std::uint64_t size_bytes) override {
        const auto size = static_cast<off_t>(size_bytes);
        if (uninterrupted([&] { return ::ftruncate(descriptor_.number(), size); }) != 0) {
            return failed("shorten", name_, errno);
        }
        size_bytes_ = size_bytes;
        return {};
    }

private:
    /// Whether the open file, in this state, still has a name, and nothing was cut off.
    [[nodiscard]] bool is_whole(const struct stat& ours) const {
        return ours.st_nlink > 0 && static_cast<std::uint64_t>(ours.st_size) >= size_bytes_;
    }
    [[nodiscard]] bool is_whole() const;
    /// Whether the name still leads to the open file, and nothing was cut off. A person or a program may have
    /// removed, moved or cut the file. What is written to it then would be gone when the process ends.
    [[nodiscard]] bool is_in_place() const;
    /// Writes the open file's content under the name again, durably. Lost bytes become one blank line, so
    /// that places in the file stay the same. A file that has the name meanwhile is put aside beside it.
    [[nodiscard]] Result<void> put_back();
    [[nodiscard]] Result<void> copy_to(int descriptor) const;

    Descriptor descriptor_;
    std::mutex sync_mutex_;  ///< The descriptor must not be replaced while another thread syncs it.
    path name_;
    std::string notice_;
    std::uint64_t size_bytes_;  ///< Bytes that were written here or were there before.
    std::chrono::steady_clock::time_point looked_up_at_{};
};

bool MachineAppendFile::is_whole() const {
    struct stat ours {};
    return ::fstat(descriptor_.number(), &ours) == 0 && is_whole(ours);
}

bool MachineAppendFile::is_in_place() const {
    struct stat ours {};
    struct stat named {};
    return ::fstat(descriptor_.number(), &ours) == 0 && is_whole(ours) &&
           ::lstat(name_.c_str(), &named) == 0 && ours.st_dev == named.st_dev && ours.st_ino == named.st_ino;
}

[[nodiscard]] Result<void> make_directory_durably(const path& directory) {
    std::error_code reason;
    if (std::filesystem::is_directory(directory, reason)) return {};
    std::filesystem::create_directories(directory, reason);
    if (reason) return failed("make the directory", directory, reason.value());
    return sync_directory(directory.parent_path());
}

Result<void> MachineAppendFile::copy_to(int descriptor) const {
    std::string bytes(std::size_t{256} * 1024, '\0');
    std::uint64_t copied = 0;
    while (copied < size_bytes_) {
        const auto wanted =
            static_cast<std::size_t>(std::min<std::uint64_t>(bytes.size(), size_bytes_ - copied));
        const ssize_t got = uninterrupted(
            [&] { return ::pread(descriptor_.number(), bytes.data(), wanted, static_cast<off_t>(copied)); });
        if (got < 0) return failed("read", name_, errno);
        if (got == 0) break;
        for (ssize_t written = 0; written < got;) {
            const ssize_t step = uninterrupted([&] {
                return ::write(descriptor, bytes.data() + written, static_cast<std::size_t>(got - written));
            });
            if (step <= 0) return failed("recreate", name_, step < 0 ? errno : ENOSPC);
            written += step;
        }
        copied += static_cast<std::uint64_t>(got);
    }
    if (copied < size_bytes_) {
        // The hole takes no space on the disk.
        const auto hole_end = static_cast<off_t>(size_bytes_ - 1);
        if (::ftruncate(descriptor, hole_end) != 0 || ::pwrite(descriptor, "\n", 1, hole_end) != 1)
            return failed("recreate", name_, errno);
    }
    if (uninterrupted([&] { return ::fdatasync(descriptor); }) != 0) return failed("sync", name_, errno);
    return {};
}

Result<void> MachineAppendFile::put_back() {
    if (auto made = make_directory_durably(name_.parent_path()); !made) return made;
    const path anew = name_.string() + ".anew";
    ::unlink(anew.c_str());
    Descriptor descriptor = open_descriptor(anew, O_RDWR | O_APPEND | O_CREAT | O_EXCL | O_NOFOLLOW);
    if (!descriptor.open()) return failed("recreate", name_, errno);
    if (auto copied = copy_to(descriptor.number()); !copied) {
        ::unlink(anew.c_str());
        return copied;
    }
    if (::rename(name_.c_str(), free_name_aside(name_).c_str()) != 0 && errno != ENOENT)
        return failed("put aside", name_, errno);
    if (::rename(anew.c_str(), name_.c_str()) != 0) return failed("recreate", name_, errno);
    if (auto synced = sync_directory(name_.parent_path()); !synced) return synced;
    {
        const std::lock_guard lock(sync_mutex_);
        descriptor_ = std::move(descriptor);
    }
    notice_ = "The message log's file " + name_.string() +
              " was removed, moved or truncated while the daemon was running. It was recreated from the copy "
              "that was still open. Find out who did that.";
    return {};
}

class MachineFiles final : public Files {
public:
    Result<std::unique_ptr<AppendFile>> open_append(const path& file) override {
        // For reading too, because a removed file's content can only be read from here.
        auto descriptor = open_plain(file, O_RDWR | O_APPEND | O_CREAT);
        if (!descriptor) return tl::unexpected<Error>(std::move(descriptor.error()));
        if (auto synced = sync_directory(file.parent_path()); !synced) {
            return tl::unexpected<Error>(std::move(synced.error()));
        }
        struct stat state {};
        if (::fstat(descriptor->number(), &state) != 0) return failed("look at", file, errno);
        return std::make_unique<MachineAppendFile>(std::move(*descriptor), file,
                                                   static_cast<std::uint64_t>(state.st_size));
    }

    Result<std::string> read(const path& file, std::uint64_t offset_bytes, std::size_t max_bytes) override {
        const auto opened = open_plain(file, O_RDONLY);
        if (!opened) return tl::unexpected<Error>(opened.error());
        const Descriptor& descriptor = *opened;
        struct stat state {};
        if (::fstat(descriptor.number(), &state) != 0) return failed("look at", file, errno);
        const auto size = static_cast<std::uint64_t>(state.st_size);
        if (offset_bytes >= size) return std::string{};
        std::string bytes(static_cast<std::size_t>(std::min<std::uint64_t>(max_bytes, size - offset_bytes)),
                          '\0');
        std::size_t filled = 0;
        while (filled < bytes.size()) {
            const ssize_t got = uninterrupted([&] {
                return ::pread(descriptor.number(), bytes.data() + filled, bytes.size() - filled,
                               static_cast<off_t>(offset_bytes + filled));
            });
            if (got < 0) return failed("read", file, errno);
            if (got == 0) break;
            filled += static_cast<std::size_t>(got);
        }
        bytes.resize(filled);
        return bytes;
    }

    Result<std::uint64_t> size_bytes(const path& file) override {
        struct stat state {};
        if (::stat(file.c_str(), &state) != 0) return failed("look at", file, errno);
        return static_cast<std::uint64_t>(state.st_size);
    }

    Result<std::vector<std::string>> list(const path& directory) override {
        std::error_code reason;
        std::vector<std::string> names;
        std::filesystem::directory_iterator entries(directory, reason);
        for (const std::filesystem::directory_iterator end; !reason && entries != end;
             entries.increment(reason)) {
            // A file that is removed meanwhile is no failure. It is not listed.
            std::error_code gone;
            const auto kind = entries->symlink_status(gone).type();
            // A link in place of a file is listed, so that opening it fails with its name.
            if (kind == std::filesystem::file_type::regular || kind == std::filesystem::file_type::symlink)
                names.push_back(entries->path().filename().string());
        }
        if (reason) return failed("list", directory, reason.value());
        std::sort(names.begin(), names.end());
        return names;
    }

    Result<void> remove(const path& file) override {
        if (::unlink(file.c_str()) != 0) return failed("remove", file, errno);
        return {};
    }

    Result<void> make_directory(const path& directory) override { return make_directory_durably(directory); }
};

}  // namespace

Result<void> sync_directory(const std::filesystem::path& directory) {
    const Descriptor opened =
        open_descriptor(directory.empty() ? std::filesystem::path(".") : directory, O_RDONLY | O_DIRECTORY);
    if (!opened.open()) return failed("open the directory", directory, errno);
    if (uninterrupted([&] { return ::fsync(opened.number()); }) != 0) {
        return failed("sync the directory", directory, errno);
    }
    return {};
}

path free_name_aside(const path& file) {
    const std::string first = file.string() + ".put-aside";
    std::string name = first;
    struct stat state {};
    for (int number = 2; ::lstat(name.c_str(), &state) == 0; ++number)
        name = first + "-" + std::to_string(number);
    return name;
}

std::unique_ptr<Files> machine_files() {
    return std::make_unique<MachineFiles>();
}

}  // namespace tickledger
