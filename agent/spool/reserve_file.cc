#include "agent/spool/reserve_file.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <system_error>

#include "proto/common/status.h"

namespace bayward {

bool ReserveFile::exists() const {
  std::error_code ignored;
  return std::filesystem::exists(path_, ignored);
}

bool ReserveFile::Release() {
  std::error_code ignored;
  return std::filesystem::remove(path_, ignored);
}

absl::Status ReserveFile::Take() {
  if (exists()) return absl::OkStatus();
  std::error_code error;
  const auto space = std::filesystem::space(path_.parent_path(), error);
  if (!error && space.available < 2 * bytes_) {
    return ResourceExhausted("spool: {} has {} bytes free, expected at least {}: make room",
                             path_.parent_path().string(), space.available, 2 * bytes_);
  }
  const int file = open(path_.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
  int failure = file < 0 ? errno : posix_fallocate(file, 0, static_cast<off_t>(bytes_));
  if (file >= 0) close(file);
  if (failure == 0) return absl::OkStatus();
  Release();
  return ResourceExhausted("spool: {}: {}", path_.string(), std::strerror(failure));
}

}  // namespace bayward
