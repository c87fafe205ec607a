#include "store/files.hpp"

#include <dirent.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <system_error>
#include <utility>

namespace tickledger {

namespace {

using std::filesystem::path;

/// What went wrong with a path, the system's reason, and what a person can do about it.
[[nodiscard]] tl::unexpected<Error> failed(const char* deed, const path& at, int reason) {
    std::string text = "Cannot " + std::string(deed) + " " + at.string() + ": " +
                       std::generic_category().message(reason) + ".";
    if (reason == ENOSPC || reason == EDQUOT) text += " Free some space; it is tried again by itself.";
    if (reason == EACCES || reason == EPERM) text += " Check the owner and the mode of the directory.";
    if (reason == EROFS) text += " The file system is read-only: check the disk.";
    return fail(std::move(text));
}

class Descriptor {
public:
    explicit Descriptor(int number) : number_(number) {}
    Descriptor(Descriptor&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
    Descriptor& operator=(Descriptor&&) = delete;
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

/// A new name survives a power cut only once its directory has been forced to the disk.
[[nodiscard]] Result<void> sync_directory(const path& directory) {
    const Descriptor opened =
        open_descriptor(directory.empty() ? path(".") : directory, O_RDONLY | O_DIRECTORY);
    if (!opened.open()) return failed("open the directory", directory, errno);
    if (uninterrupted([&] { return ::fsync(opened.number()); }) != 0) {
        return failed("force to the disk the directory", directory, errno);
    }
    return {};
}

class MachineAppendFile final : public AppendFile {
public:
    MachineAppendFile(Descriptor descriptor, path name)
        : descriptor_(std::move(descriptor)), name_(std::move(name)) {}

    Result<void> append(std::string_view bytes) override {
        while (!bytes.empty()) {
            const ssize_t written =
                uninterrupted([&] { return ::write(descriptor_.number(), bytes.data(), bytes.size()); });
            if (written < 0) return failed("write to", name_, errno);
            if (written == 0) return failed("write to", name_, ENOSPC);
            bytes.remove_prefix(static_cast<std::size_t>(written));
        }
        return {};
    }

    Result<void> sync() override {
        if (uninterrupted([&] { return ::fdatasync(descriptor_.number()); }) != 0) {
            return failed("force to the disk", name_, errno);
        }
        return {};
    }

    Result<void> truncate(std::uint64_t size_bytes) override {
        const auto size = static_cast<off_t>(size_bytes);
        if (uninterrupted([&] { return ::ftruncate(descriptor_.number(), size); }) != 0) {
            return failed("shorten", name_, errno);
        }
        return {};
    }

private:
    Descriptor descriptor_;
    path name_;
};

class MachineFiles final : public Files {
public:
    Result<std::unique_ptr<AppendFile>> open_append(const path& file) override {
        Descriptor descriptor = open_descriptor(file, O_WRONLY | O_APPEND | O_CREAT);
        if (!descriptor.open()) return failed("open", file, errno);
        if (auto synced = sync_directory(file.parent_path()); !synced) {
            return tl::unexpected<Error>(std::move(synced.error()));
        }
        return std::make_unique<MachineAppendFile>(std::move(descriptor), file);
    }

    Result<std::string> read(const path& file, std::uint64_t offset_bytes, std::size_t max_bytes) override {
        const Descriptor descriptor = open_descriptor(file, O_RDONLY);
        if (!descriptor.open()) return failed("open", file, errno);
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
            // A file that is removed while we look is no reason to fail: it is simply not listed.
            std::error_code gone;
            if (entries->is_regular_file(gone)) names.push_back(entries->path().filename().string());
        }
        if (reason) return failed("list", directory, reason.value());
        std::sort(names.begin(), names.end());
        return names;
    }

    Result<void> remove(const path& file) override {
        if (::unlink(file.c_str()) != 0) return failed("remove", file, errno);
        return {};
    }

    Result<void> make_directory(const path& directory) override {
        std::error_code reason;
        if (std::filesystem::is_directory(directory, reason)) return {};
        std::filesystem::create_directories(directory, reason);
        if (reason) return failed("make the directory", directory, reason.value());
        return sync_directory(directory.parent_path());
    }
};

}  // namespace

std::unique_ptr<Files> machine_files() {
    return std::make_unique<MachineFiles>();
}

}  // namespace tickledger
