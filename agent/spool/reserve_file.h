// Space on the disk that is kept for the moment when there is no more: given up, it lets the spool write the
// tombstones that make room. Thread-compatible.
#pragma once

#include <cstdint>
#include <filesystem>
#include <utility>

#include "absl/status/status.h"

namespace bayward {

class ReserveFile {
 public:
  ReserveFile(std::filesystem::path path, std::uint64_t bytes) : path_(std::move(path)), bytes_(bytes) {}

  bool exists() const;
  // Whether there was something to give up.
  bool Release();
  // Takes the space again, if the disk has twice as much. ResourceExhausted where it has not.
  absl::Status Take();

 private:
  std::filesystem::path path_;
  std::uint64_t bytes_;
};

}  // namespace bayward
