#include "store/failing_vfs.hpp"

namespace tickledger {
namespace {

/// Our file; the real one follows it in the same block of memory.
struct File {
    sqlite3_file base;
    sqlite3_file* real() { return reinterpret_cast<sqlite3_file*>(this + 1); }
};

FailingVfs settings;
sqlite3_vfs* real_vfs = nullptr;

sqlite3_file* real(sqlite3_file* file) {
    return reinterpret_cast<File*>(file)->real();
}

/// SQLITE_OK, or the failure that is due.
int next_operation() {
    ++settings.operations;
    if (settings.good_operations < 0) return SQLITE_OK;
    if (settings.good_operations == 0) return settings.code;
    --settings.good_operations;
    return SQLITE_OK;
}

int write(sqlite3_file* file, const void* bytes, int size, sqlite3_int64 offset) {
    const int code = next_operation();
    if (code == SQLITE_OK) settings.bytes += size;
    return code == SQLITE_OK ? real(file)->pMethods->xWrite(real(file), bytes, size, offset) : code;
}
int sync(sqlite3_file* file, int flags) {
    // A sync does not fail for lack of space.
    const int code = next_operation();
    if (code != SQLITE_OK) return SQLITE_IOERR_FSYNC;
    return real(file)->pMethods->xSync(real(file), flags);
}
int close(sqlite3_file* file) {
    return real(file)->pMethods->xClose(real(file));
}
int read(sqlite3_file* file, void* bytes, int size, sqlite3_int64 offset) {
    return real(file)->pMethods->xRead(real(file), bytes, size, offset);
}
int truncate(sqlite3_file* file, sqlite3_int64 size) {
    return real(file)->pMethods->xTruncate(real(file), size);
}
int file_size(sqlite3_file* file, sqlite3_int64* size) {
    return real(file)->pMethods->xFileSize(real(file), size);
}
int lock(sqlite3_file* file, int level) {
    return real(file)->pMethods->xLock(real(file), level);
}
int unlock(sqlite3_file* file, int level) {
    return real(file)->pMethods->xUnlock(real(file), level);
}
int check_reserved_lock(sqlite3_file* file, int* held) {
    return real(file)->pMethods->xCheckReservedLock(real(file), held);
}
int file_control(sqlite3_file* file, int what, void* value) {
    return real(file)->pMethods->xFileControl(real(file), what, value);
}
int sector_size(sqlite3_file* file) {
    return real(file)->pMethods->xSectorSize(real(file));
}
int device_characteristics(sqlite3_file* file) {
    return real(file)->pMethods->xDeviceCharacteristics(real(file));
}

// Version 1, without shared memory: the ledger promises to work under a VFS of this kind.
const sqlite3_io_methods methods = {1,
                                    close,
                                    read,
                                    write,
                                    truncate,
                                    sync,
                                    file_size,
                                    lock,
                                    unlock,
                                    check_reserved_lock,
                                    file_control,
                                    sector_size,
                                    device_characteristics,
                                    nullptr,
                                    nullptr,
                                    nullptr,
                                    nullptr,
                                    nullptr,
                                    nullptr};

int open(sqlite3_vfs*, const char* name, sqlite3_file* file, int flags, int* flags_out) {
    file->pMethods = nullptr;
    const int code = real_vfs->xOpen(real_vfs, name, real(file), flags, flags_out);
    if (code == SQLITE_OK) file->pMethods = &methods;
    return code;
}

sqlite3_vfs make_vfs() {
    real_vfs = sqlite3_vfs_find(nullptr);
    sqlite3_vfs vfs = *real_vfs;
    vfs.szOsFile = static_cast<int>(sizeof(File)) + real_vfs->szOsFile;
    vfs.zName = FailingVfs::name;
    vfs.pNext = nullptr;
    vfs.xOpen = open;
    return vfs;
}

}  // namespace

FailingVfs& FailingVfs::instance() {
    static sqlite3_vfs vfs = make_vfs();
    static const int registered = sqlite3_vfs_register(&vfs, 0);
    (void)registered;
    return settings;
}

}  // namespace tickledger
