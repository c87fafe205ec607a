// The storage port of the message log: the few file operations whose failure and loss it reasons about.
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

/// A look-up of a name costs as much as a write. Under load a file that is open is looked up no oftener than
/// this; what moves it meanwhile takes with it what was written.
inline constexpr std::chrono::milliseconds between_lookups{20};

/// An open file that grows at its end only. One thread at a time appends or truncates; sync() may run
/// beside them in another.
class AppendFile {
public:
    virtual ~AppendFile() = default;
    /// Writes all bytes at the end or fails. A failed append may leave a part of them.
    [[nodiscard]] virtual Result<void> append(std::string_view bytes) = 0;
    /// Returns once everything appended before the call survives a power cut.
    [[nodiscard]] virtual Result<void> sync() = 0;
    /// Cuts the file to `size_bytes`: takes back a torn append.
    [[nodiscard]] virtual Result<void> truncate(std::uint64_t size_bytes) = 0;
    /// Where the name does not lead to what is open any more, or a part was cut off: writes what is open anew
    /// under the name. append() begins with it, once in `between_lookups`.
    [[nodiscard]] virtual Result<void> stay_in_place() { return {}; }
    /// What was written anew since the last call, in a sentence; empty: nothing.
    [[nodiscard]] virtual std::string take_notice() { return {}; }
};

/// A directory's files. The tests' implementation forgets at a power cut what was not synced.
class Files {
public:
    virtual ~Files() = default;
    /// Opens for appending and creates it where it is missing, durably (directory synced).
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

/// A new name survives a power cut only once its directory has been forced to the disk.
[[nodiscard]] Result<void> sync_directory(const std::filesystem::path& directory);

/// The machine's own files. Errors name the path and the system's reason.
[[nodiscard]] std::unique_ptr<Files> machine_files();

}  // namespace tickledger
