// A disk in memory for tests. It loses unsynced bytes in a power cut, fills up, and fails on request.
#pragma once

#include <cstdint>
#include <limits>
#include <map>
#include <memory>
#include <mutex>
#include <random>
#include <string>

#include "store/files.hpp"

namespace tickledger::test {

/// What a power cut leaves of bytes that were written but not synced.
enum class PowerCut : std::uint8_t {
    forgets_all,  ///< Nothing, like the strictest disk.
    tears,        ///< A random prefix of them, file by file, like real disks.
};

/// Files that live in this object. Safe to use from several threads. The same seed and the same calls give
/// the same power cuts. Names and removals are durable at once, as machine_files() makes them.
class SimFiles final : public Files {
public:
    explicit SimFiles(std::uint64_t seed = 1);
    ~SimFiles() override;

    Result<std::unique_ptr<AppendFile>> open_append(const std::filesystem::path& file) override;
    Result<std::string> read(const std::filesystem::path& file, std::uint64_t offset_bytes,
                             std::size_t max_bytes) override;
    Result<std::uint64_t> size_bytes(const std::filesystem::path& file) override;
    Result<std::vector<std::string>> list(const std::filesystem::path& directory) override;
    Result<void> remove(const std::filesystem::path& file) override;
    Result<void> make_directory(const std::filesystem::path& directory) override;

    /// The disk is full after this many more bytes. An append that does not fit leaves the part that did.
    void set_free_bytes(std::uint64_t bytes);
    void set_free_without_end() { set_free_bytes(std::numeric_limits<std::uint64_t>::max()); }
    [[nodiscard]] std::uint64_t free_bytes() const;

    /// The next `calls` calls of that kind fail and do nothing.
    void fail_syncs(int calls);
    void fail_truncates(int calls);
    void fail_opens(int calls);
    void fail_reads(int calls);

    /// All operations on files that were open before it fail. Open the files again.
    void cut_power(PowerCut how);

    /// For set-up and inspection: the whole content, and the part that would survive any power cut.
    [[nodiscard]] std::string content(const std::filesystem::path& file) const;
    [[nodiscard]] std::string synced_content(const std::filesystem::path& file) const;
    /// Puts a file there as if it had been written and synced.
    void put(const std::filesystem::path& file, std::string content);

private:
    /// A power cut leaves the first `synced_bytes` of the content and then `synced_tail`, the bytes removed
    /// by an unsynced truncation. This way a sync of a long file costs nothing.
    struct Node {
        std::string content;
        std::size_t synced_bytes = 0;
        std::string synced_tail;

        void sync();
        void truncate(std::size_t size_bytes);
        [[nodiscard]] std::string synced() const { return content.substr(0, synced_bytes) + synced_tail; }
    };
    class Handle;

    [[nodiscard]] static std::string torn(const Node& node, std::mt19937_64& chance);
    [[nodiscard]] Result<Node*> alive(const std::filesystem::path& file, std::uint64_t generation);

    mutable std::mutex mutex_;
    std::map<std::filesystem::path, Node> nodes_;
    std::mt19937_64 chance_;
    std::uint64_t generation_ = 0;  ///< Counts power cuts. Files opened before the last one are dead.
    std::uint64_t free_bytes_ = std::numeric_limits<std::uint64_t>::max();
    int failing_syncs_ = 0;
    int failing_truncates_ = 0;
    int failing_opens_ = 0;
    int failing_reads_ = 0;
};

}  // namespace tickledger::test
