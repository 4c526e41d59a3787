#include "tests/support/failing_vfs.h"

#include <sqlite3.h>

#include <map>
#include <memory>
#include <utility>

#include "absl/synchronization/mutex.h"

namespace bayward {
namespace {

// The default VFS's own methods with two replaced; its files are used as they are.
struct Methods {
  sqlite3_io_methods ours;
  const sqlite3_io_methods* original;
};

struct State {
  absl::Mutex mutex;
  std::function<bool()> full ABSL_GUARDED_BY(mutex);
  bool sync_fails ABSL_GUARDED_BY(mutex) = false;
  std::map<const sqlite3_io_methods*, std::unique_ptr<Methods>> methods ABSL_GUARDED_BY(mutex);
};

State& TheState() {
  static State state;
  return state;
}

const sqlite3_io_methods* OriginalOf(sqlite3_file* file) {
  return reinterpret_cast<const Methods*>(file->pMethods)->original;
}

int Write(sqlite3_file* file, const void* data, int bytes, sqlite3_int64 offset) {
  const sqlite3_io_methods* original = OriginalOf(file);
  sqlite3_int64 size = 0;
  original->xFileSize(file, &size);
  std::function<bool()> full;
  {
    absl::MutexLock lock(&TheState().mutex);
    full = TheState().full;
  }
  if (offset + bytes > size && full && full()) return SQLITE_FULL;
  return original->xWrite(file, data, bytes, offset);
}

int Sync(sqlite3_file* file, int flags) {
  {
    absl::MutexLock lock(&TheState().mutex);
    if (TheState().sync_fails) return SQLITE_IOERR_FSYNC;
  }
  return OriginalOf(file)->xSync(file, flags);
}

int Open(sqlite3_vfs* vfs, const char* name, sqlite3_file* file, int flags, int* flags_given) {
  auto* base = static_cast<sqlite3_vfs*>(vfs->pAppData);
  const int result = base->xOpen(base, name, file, flags, flags_given);
  if (result != SQLITE_OK || file->pMethods == nullptr) return result;
  absl::MutexLock lock(&TheState().mutex);
  auto& methods = TheState().methods[file->pMethods];
  if (methods == nullptr) {
    methods = std::make_unique<Methods>(Methods{*file->pMethods, file->pMethods});
    methods->ours.xWrite = Write;
    methods->ours.xSync = Sync;
  }
  file->pMethods = &methods->ours;
  return result;
}

}  // namespace

const char* FailingVfs::Name() {
  static sqlite3_vfs vfs = [] {
    sqlite3_vfs* base = sqlite3_vfs_find(nullptr);
    sqlite3_vfs copy = *base;
    copy.zName = "bayward-failing";
    copy.pAppData = base;
    copy.pNext = nullptr;
    copy.xOpen = Open;
    return copy;
  }();
  static const int registered = sqlite3_vfs_register(&vfs, 0);
  return registered == SQLITE_OK ? vfs.zName : nullptr;
}

void FailingVfs::SetFull(std::function<bool()> full) {
  absl::MutexLock lock(&TheState().mutex);
  TheState().full = std::move(full);
}

void FailingVfs::SetSyncFails(bool fails) {
  absl::MutexLock lock(&TheState().mutex);
  TheState().sync_fails = fails;
}

}  // namespace bayward
