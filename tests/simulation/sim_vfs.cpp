#include "simulation/sim_vfs.hpp"

#include <sqlite3.h>

#include <algorithm>
#include <atomic>
#include <cstring>
#include <limits>
#include <map>
#include <vector>

#include "simulation/chance.hpp"

namespace tickledger::simulation {

namespace {

constexpr std::size_t sector_bytes = 512;

/// A write that a power cut may undo; with `is_truncation`, a new end of the file at `offset`.
struct Change {
    std::size_t offset = 0;
    std::string bytes;
    bool is_truncation = false;
};

struct Image {
    std::string content;
    std::string durable;
    std::vector<Change> unsynced;
};

void write_at(std::string& bytes, std::size_t offset, std::string_view what) {
    if (bytes.size() < offset + what.size()) bytes.resize(offset + what.size());
    std::memcpy(bytes.data() + offset, what.data(), what.size());
}

void carry_out(std::string& bytes, const Change& change) {
    if (change.is_truncation) {
        bytes.resize(std::min(bytes.size(), change.offset));
    } else {
        write_at(bytes, change.offset, change.bytes);
    }
}

/// Applies some whole sectors of a write, each by chance.
void apply_torn(std::string& bytes, const Change& change, double kept, Chance& chance) {
    if (change.is_truncation) {
        if (chance.happens(kept)) carry_out(bytes, change);
        return;
    }
    for (std::size_t from = 0; from < change.bytes.size();) {
        const std::size_t to = std::min(
            change.bytes.size(), ((change.offset + from) / sector_bytes + 1) * sector_bytes - change.offset);
        if (chance.happens(kept)) {
            write_at(bytes, change.offset + from, std::string_view(change.bytes).substr(from, to - from));
        }
        from = to;
    }
}

bool strikes(int& failures) {
    if (failures == 0) return false;
    --failures;
    return true;
}

}  // namespace

class SimVfs::Disk {
public:
    explicit Disk(std::uint64_t seed);
    ~Disk() { sqlite3_vfs_unregister(&vfs); }

    struct File {
        sqlite3_file base;
        Disk* disk;
        Image* image;
    };
    static Disk& of(sqlite3_vfs* vfs) { return *static_cast<Disk*>(vfs->pAppData); }

    [[nodiscard]] bool may_write() const { return !ask || ask(); }
    int write(Image& image, std::string_view bytes, std::size_t offset);
    int truncate(Image& image, std::size_t size);
    int sync(Image& image);

    std::string name;
    sqlite3_vfs vfs{};
    std::map<std::string, std::unique_ptr<Image>> images;
    /// Files that were removed while SQLite had them open.
    std::vector<std::unique_ptr<Image>> removed;
    Chance chance;
    std::function<bool()> ask;
    std::uint64_t free_bytes = std::numeric_limits<std::uint64_t>::max();
    std::uint64_t written_bytes = 0;
    int failing_writes = 0;
    int failing_syncs = 0;
};

int SimVfs::Disk::write(Image& image, std::string_view bytes, std::size_t offset) {
    if (!may_write() || strikes(failing_writes)) return SQLITE_IOERR_WRITE;
    const std::size_t end = offset + bytes.size();
    const std::size_t growth = end > image.content.size() ? end - image.content.size() : 0;
    if (growth > free_bytes) return SQLITE_FULL;
    if (free_bytes != std::numeric_limits<std::uint64_t>::max()) free_bytes -= growth;
    written_bytes += bytes.size();
    write_at(image.content, offset, bytes);
    image.unsynced.push_back({offset, std::string(bytes), false});
    return SQLITE_OK;
}

int SimVfs::Disk::truncate(Image& image, std::size_t size) {
    if (!may_write()) return SQLITE_IOERR_TRUNCATE;
    image.content.resize(std::min(image.content.size(), size));
    image.unsynced.push_back({size, {}, true});
    return SQLITE_OK;
}

int SimVfs::Disk::sync(Image& image) {
    if (!may_write() || strikes(failing_syncs)) return SQLITE_IOERR_FSYNC;
    for (const Change& change : image.unsynced)
        carry_out(image.durable, change);
    image.unsynced.clear();
    return SQLITE_OK;
}

namespace {

using Disk = SimVfs::Disk;

Disk::File& ours(sqlite3_file* file) {
    return *reinterpret_cast<Disk::File*>(file);
}

int close_file(sqlite3_file*) {
    return SQLITE_OK;
}

int read_file(sqlite3_file* file, void* bytes, int size, sqlite3_int64 offset) {
    const std::string& content = ours(file).image->content;
    const auto from = std::min(static_cast<std::size_t>(offset), content.size());
    const auto found = std::min(static_cast<std::size_t>(size), content.size() - from);
    std::memcpy(bytes, content.data() + from, found);
    if (found == static_cast<std::size_t>(size)) return SQLITE_OK;
    std::memset(static_cast<char*>(bytes) + found, 0, static_cast<std::size_t>(size) - found);
    return SQLITE_IOERR_SHORT_READ;
}

int write_file(sqlite3_file* file, const void* bytes, int size, sqlite3_int64 offset) {
    Disk::File& to = ours(file);
    return to.disk->write(*to.image, {static_cast<const char*>(bytes), static_cast<std::size_t>(size)},
                          static_cast<std::size_t>(offset));
}

int truncate_file(sqlite3_file* file, sqlite3_int64 size) {
    return ours(file).disk->truncate(*ours(file).image, static_cast<std::size_t>(size));
}

int sync_file(sqlite3_file* file, int) {
    return ours(file).disk->sync(*ours(file).image);
}

int file_size(sqlite3_file* file, sqlite3_int64* size) {
    *size = static_cast<sqlite3_int64>(ours(file).image->content.size());
    return SQLITE_OK;
}

int lock_file(sqlite3_file*, int) {
    return SQLITE_OK;
}

int reserved_lock(sqlite3_file*, int* held) {
    *held = 0;
    return SQLITE_OK;
}

int file_control(sqlite3_file*, int, void*) {
    return SQLITE_NOTFOUND;
}
int sector_size(sqlite3_file*) {
    return static_cast<int>(sector_bytes);
}
int characteristics(sqlite3_file*) {
    return 0;
}

// Version 1: without shared memory.
const sqlite3_io_methods methods = {
    1,         close_file, read_file,     write_file,   truncate_file, sync_file,       file_size,
    lock_file, lock_file,  reserved_lock, file_control, sector_size,   characteristics, nullptr,
    nullptr,   nullptr,    nullptr,       nullptr,      nullptr};

int open_file(sqlite3_vfs* vfs, const char* name, sqlite3_file* file, int flags, int* flags_out) {
    Disk& disk = Disk::of(vfs);
    file->pMethods = nullptr;
    // Temporary files have no name. The ledger keeps temporary data in memory.
    if (name == nullptr) return SQLITE_CANTOPEN;
    auto found = disk.images.find(name);
    if (found == disk.images.end()) {
        if ((flags & SQLITE_OPEN_CREATE) == 0 || !disk.may_write()) return SQLITE_CANTOPEN;
        found = disk.images.emplace(name, std::make_unique<Image>()).first;
    }
    ours(file).disk = &disk;
    ours(file).image = found->second.get();
    ours(file).base.pMethods = &methods;
    if (flags_out != nullptr) *flags_out = flags;
    return SQLITE_OK;
}

int delete_file(sqlite3_vfs* vfs, const char* name, int) {
    Disk& disk = Disk::of(vfs);
    const auto found = disk.images.find(name);
    if (found == disk.images.end()) return SQLITE_IOERR_DELETE_NOENT;
    if (!disk.may_write()) return SQLITE_IOERR_DELETE;
    disk.removed.push_back(std::move(found->second));
    disk.images.erase(found);
    return SQLITE_OK;
}

int access_file(sqlite3_vfs* vfs, const char* name, int, int* there) {
    *there = Disk::of(vfs).images.contains(name) ? 1 : 0;
    return SQLITE_OK;
}

int full_path(sqlite3_vfs*, const char* name, int size, char* full) {
    sqlite3_snprintf(size, full, "%s", name);
    return SQLITE_OK;
}

int randomness(sqlite3_vfs* vfs, int size, char* bytes) {
    for (int i = 0; i < size; ++i)
        bytes[i] = static_cast<char>(Disk::of(vfs).chance.below(256));
    return size;
}

int sleep_us(sqlite3_vfs*, int us) {
    return us;
}

int current_time(sqlite3_vfs*, double* julian_day) {
    *julian_day = 2461000.5;
    return SQLITE_OK;
}

int last_error(sqlite3_vfs*, int, char*) {
    return 0;
}

}  // namespace

SimVfs::Disk::Disk(std::uint64_t seed) : chance(seed) {
    static std::atomic<int> disks{0};
    name = "simulated-" + std::to_string(disks++);
    vfs.iVersion = 1;
    vfs.szOsFile = static_cast<int>(sizeof(File));
    vfs.mxPathname = 512;
    vfs.zName = name.c_str();
    vfs.pAppData = this;
    vfs.xOpen = open_file;
    vfs.xDelete = delete_file;
    vfs.xAccess = access_file;
    vfs.xFullPathname = full_path;
    vfs.xRandomness = randomness;
    vfs.xSleep = sleep_us;
    vfs.xCurrentTime = current_time;
    vfs.xGetLastError = last_error;
    sqlite3_vfs_register(&vfs, 0);
}

SimVfs::SimVfs(std::uint64_t seed) : disk_(std::make_unique<Disk>(seed)) {}
SimVfs::~SimVfs() = default;

const std::string& SimVfs::name() const {
    return disk_->name;
}

void SimVfs::ask_before_writes(std::function<bool()> may_write) {
    disk_->ask = std::move(may_write);
}
void SimVfs::set_free_bytes(std::uint64_t bytes) {
    disk_->free_bytes = bytes;
}
void SimVfs::fail_writes(int calls) {
    disk_->failing_writes = calls;
}
void SimVfs::fail_syncs(int calls) {
    disk_->failing_syncs = calls;
}

void SimVfs::cut_power(test::PowerCut how) {
    Chance& chance = disk_->chance;
    for (auto& [name, image] : disk_->images) {
        if (how == test::PowerCut::tears) {
            const bool in_order = chance.happens(0.5);
            const std::size_t whole = in_order ? chance.below(image->unsynced.size() + 1) : 0;
            for (std::size_t i = 0; i < image->unsynced.size(); ++i) {
                if (i < whole) carry_out(image->durable, image->unsynced[i]);
                const bool is_torn = !in_order || i == whole;
                if (is_torn) apply_torn(image->durable, image->unsynced[i], 0.5, chance);
            }
        }
        image->content = image->durable;
        image->unsynced.clear();
    }
}

std::uint64_t SimVfs::size_bytes(const std::string& file) const {
    const auto found = disk_->images.find(file);
    return found == disk_->images.end() ? 0 : found->second->content.size();
}

std::uint64_t SimVfs::written_bytes() const {
    return disk_->written_bytes;
}

}  // namespace tickledger::simulation
