#include "support/sim_files.hpp"

#include <algorithm>
#include <utility>

namespace tickledger::test {

using std::filesystem::path;

namespace {

/// Uses up one of the remaining failures.
[[nodiscard]] bool strikes(int& failures) {
    if (failures == 0) return false;
    --failures;
    return true;
}

[[nodiscard]] tl::unexpected<Error> simulated(const char* deed, const path& file, const char* reason) {
    return fail("Cannot " + std::string(deed) + " " + file.string() + ": " + reason + " (simulated).");
}

}  // namespace

class SimFiles::Handle final : public AppendFile {
public:
    Handle(SimFiles& files, path name, std::uint64_t generation)
        : files_(files), name_(std::move(name)), generation_(generation) {}

    Result<void> append(std::string_view bytes) override {
        const std::lock_guard lock(files_.mutex_);
        auto node = files_.alive(name_, generation_);
        if (!node) return tl::unexpected<Error>(std::move(node.error()));
        const auto fitting =
            static_cast<std::size_t>(std::min<std::uint64_t>(bytes.size(), files_.free_bytes_));
        (*node)->content += bytes.substr(0, fitting);
        if (files_.free_bytes_ != std::numeric_limits<std::uint64_t>::max()) files_.free_bytes_ -= fitting;
        if (fitting < bytes.size()) return simulated("write to", name_, "No space left on device");
        return {};
    }

    Result<void> sync() override {
        const std::lock_guard lock(files_.mutex_);
        auto node = files_.alive(name_, generation_);
        if (!node) return tl::unexpected<Error>(std::move(node.error()));
        if (strikes(files_.failing_syncs_)) return simulated("sync", name_, "Input/output error");
        (*node)->sync();
        return {};
    }

    Result<void> truncate(std::uint64_t size_bytes) override {
        const std::lock_guard lock(files_.mutex_);
        auto node = files_.alive(name_, generation_);
        if (!node) return tl::unexpected<Error>(std::move(node.error()));
        if (strikes(files_.failing_truncates_)) return simulated("shorten", name_, "Input/output error");
        (*node)->truncate(static_cast<std::size_t>(size_bytes));
        return {};
    }

private:
    SimFiles& files_;
    path name_;
    std::uint64_t generation_;
};

void SimFiles::Node::sync() {
    synced_bytes = content.size();
    synced_tail.clear();
}

void SimFiles::Node::truncate(std::size_t size_bytes) {
    if (size_bytes < synced_bytes) {
        synced_tail.insert(0, content, size_bytes, synced_bytes - size_bytes);
        synced_bytes = size_bytes;
    }
    content.resize(size_bytes);
}

SimFiles::SimFiles(std::uint64_t seed) : chance_(seed) {}
SimFiles::~SimFiles() = default;

Result<SimFiles::Node*> SimFiles::alive(const path& file, std::uint64_t generation) {
    if (generation != generation_) return simulated("use", file, "the power was cut since it was opened");
    const auto found = nodes_.find(file);
    if (found == nodes_.end()) return simulated("use", file, "it was removed");
    return &found->second;
}

Result<std::unique_ptr<AppendFile>> SimFiles::open_append(const path& file) {
    const std::lock_guard lock(mutex_);
    if (strikes(failing_opens_)) return simulated("open", file, "Input/output error");
    nodes_.try_emplace(file);
    return std::make_unique<Handle>(*this, file, generation_);
}

Result<std::string> SimFiles::read(const path& file, std::uint64_t offset_bytes, std::size_t max_bytes) {
    const std::lock_guard lock(mutex_);
    if (strikes(failing_reads_)) return simulated("read", file, "Input/output error");
    const auto found = nodes_.find(file);
    if (found == nodes_.end()) return simulated("read", file, "No such file or directory");
    const std::string& content = found->second.content;
    if (offset_bytes >= content.size()) return std::string{};
    return content.substr(static_cast<std::size_t>(offset_bytes), max_bytes);
}

Result<std::uint64_t> SimFiles::size_bytes(const path& file) {
    const std::lock_guard lock(mutex_);
    const auto found = nodes_.find(file);
    if (found == nodes_.end()) return simulated("look at", file, "No such file or directory");
    return found->second.content.size();
}

Result<std::vector<std::string>> SimFiles::list(const path& directory) {
    const std::lock_guard lock(mutex_);
    std::vector<std::string> names;
    for (const auto& [file, node] : nodes_) {
        if (file.parent_path() == directory) names.push_back(file.filename().string());
    }
    std::sort(names.begin(), names.end());
    return names;
}

Result<void> SimFiles::remove(const path& file) {
    const std::lock_guard lock(mutex_);
    if (nodes_.erase(file) == 0) return simulated("remove", file, "No such file or directory");
    return {};
}

Result<void> SimFiles::make_directory(const path& /*directory*/) {
    return {};
}

void SimFiles::set_free_bytes(std::uint64_t bytes) {
    const std::lock_guard lock(mutex_);
    free_bytes_ = bytes;
}

std::uint64_t SimFiles::free_bytes() const {
    const std::lock_guard lock(mutex_);
    return free_bytes_;
}

void SimFiles::fail_syncs(int calls) {
    const std::lock_guard lock(mutex_);
    failing_syncs_ = calls;
}

void SimFiles::fail_truncates(int calls) {
    const std::lock_guard lock(mutex_);
    failing_truncates_ = calls;
}

void SimFiles::fail_opens(int calls) {
    const std::lock_guard lock(mutex_);
    failing_opens_ = calls;
}

void SimFiles::fail_reads(int calls) {
    const std::lock_guard lock(mutex_);
    failing_reads_ = calls;
}

std::string SimFiles::torn(const Node& node, std::mt19937_64& chance) {
    // A truncation that was not synced may not have happened. Then all the old bytes are back.
    if (!node.synced_tail.empty() && chance() % 2 == 0) return node.synced();
    return node.content.substr(0,
                               node.synced_bytes + chance() % (node.content.size() - node.synced_bytes + 1));
}

void SimFiles::cut_power(PowerCut how) {
    const std::lock_guard lock(mutex_);
    ++generation_;
    for (auto& [file, node] : nodes_) {
        node.content = how == PowerCut::forgets_all ? node.synced() : torn(node, chance_);
        node.sync();
    }
}

std::string SimFiles::content(const path& file) const {
    const std::lock_guard lock(mutex_);
    const auto found = nodes_.find(file);
    return found == nodes_.end() ? std::string{} : found->second.content;
}

std::string SimFiles::synced_content(const path& file) const {
    const std::lock_guard lock(mutex_);
    const auto found = nodes_.find(file);
    return found == nodes_.end() ? std::string{} : found->second.synced();
}

void SimFiles::put(const path& file, std::string content) {
    const std::lock_guard lock(mutex_);
    Node& node = nodes_[file];
    node.content = std::move(content);
    node.sync();
}

}  // namespace tickledger::test
