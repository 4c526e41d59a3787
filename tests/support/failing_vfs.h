// A disk that fails when a test says so: an SQLite VFS over the default one. Registered once for the process;
// the switches may be set from any thread.
#pragma once

#include <functional>

namespace bayward {

class FailingVfs {
 public:
  // The name to open files with; registers it at the first call.
  static const char* Name();

  // Asked at each write that would make a file longer: true answers SQLITE_FULL. An empty function: never.
  static void SetFull(std::function<bool()> full);
  // Every sync fails from now on, or no more.
  static void SetSyncFails(bool fails);
};

}  // namespace bayward
