// The storage port of the message log: the few file operations whose failure and loss the log must handle.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "tickledger/result.hpp"

namespace tickledger {

/// A look-up of a file's name costs as much as a write. Under load an open file is looked up no more often
/// than this. If somebody moves the file meanwhile, the bytes written in between go with it.
inline constexpr std::chrono::milliseconds between_lookups{20};

/// An open file that grows only at its end. One thread at a time appends or truncates. sync() may run in
/// another thread at the same time.
class AppendFile {
public:
    virtual ~AppendFile() = default;
    /// Writes all bytes at the end or fails. A failed append may leave a part of them.
    [[nodiscard]] virtual Result<void> append(std::string_view bytes) = 0;
    /// Returns once everything appended before the call survives a power cut.
    [[nodiscard]] virtual Result<void> sync() = 0;
    /// Cuts the file to `size_bytes`, to take back a torn append.
    [[nodiscard]] virtual Result<void> truncate(std::uint64_t size_bytes) = 0;
    /// If the name no longer leads to the open file, or a part was cut off, writes the open file's content
    /// under the name again. append() does this first, at most once in `between_lookups`.
    [[nodiscard]] virtual Result<void> stay_in_place() { return {}; }
    /// What was rewritten since the last call, in a sentence. Empty: nothing.
    [[nodiscard]] virtual std::string take_notice() { return {}; }
};

/// File operations in directories. The tests' implementation loses at a power cut what was not synced.
class Files {
public:
    virtual ~Files() = default;
    /// Opens for appending. Creates a missing file durably (its directory is synced).
    [[nodiscard]] virtual Result<std::unique_ptr<AppendFile>> open_append(
        const std::filesystem::path& file) = 0;
    /// Up to `max_bytes` from `offset_bytes`; fewer at the end of the file, none beyond it.
    [[nodiscard]] virtual Result<std::string> read(const std::filesystem::path& file,
                                                   std::uint64_t offset_bytes, std::size_t max_bytes) = 0;
    [[nodiscard]] virtual Result<std::uint64_t> size_bytes(const std::filesystem::path& file) = 0;
    /// Names of the plain files in a directory, sorted.
    [[nodiscard]] virtual Result<std::vector<std::string>> list(const std::filesystem::path& directory) = 0;
    [[nodiscard]] virtual Result<void> remove(const std::filesystem::path& file) = 0;
    [[nodiscard]] virtual Result<void> make_directory(const std::filesystem::path& directory) = 0;
};

/// Forces a directory to the disk. A new name survives a power cut only after that.
[[nodiscard]] Result<void> sync_directory(const std::filesystem::path& directory);

/// The name under which a file is put aside: `file`.put-aside, or .put-aside-2, -3 and so on, because what
/// was put aside earlier must stay.
[[nodiscard]] std::filesystem::path free_name_aside(const std::filesystem::path& file);

/// The machine's own files. Errors name the path and the system's reason.
[[nodiscard]] std::unique_ptr<Files> machine_files();

}  // namespace tickledger
