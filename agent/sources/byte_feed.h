// Where lines come from: a file that is followed as it grows, or standard input. Used by one thread; no call
// waits longer than it is told.
#pragma once

#include <sys/types.h>

#include <filesystem>
#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "proto/common/clock.h"

namespace bayward {

class ByteFeed {
 public:
  virtual ~ByteFeed() = default;

  // Unavailable where it cannot be opened now.
  virtual absl::Status Open() = 0;

  struct Chunk {
    std::string bytes;         // empty: nothing came
    bool begins_anew = false;  // what was unfinished before it will never be finished
  };
  // What has come, after waiting for it at most `wait`. OutOfRange at the end of standard input; Unavailable
  // where reading fails: open it again.
  virtual absl::StatusOr<Chunk> Read(absl::Duration wait, const StopFlag& stop) = 0;

  // A file that is cut short or replaced is read from its new beginning.
  static std::unique_ptr<ByteFeed> File(std::filesystem::path path, bool from_beginning);
  // `descriptor` stays the caller's.
  static std::unique_ptr<ByteFeed> Descriptor(int descriptor);
};

}  // namespace bayward
