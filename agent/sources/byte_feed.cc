#include "agent/sources/byte_feed.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <utility>

#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::size_t kChunk = 64 * 1024;

class FileFeed : public ByteFeed {
 public:
  FileFeed(std::filesystem::path path, bool from_beginning)
      : path_(std::move(path)), from_beginning_(from_beginning) {}
  ~FileFeed() override { Close(); }

  absl::Status Open() override {
    Close();
    descriptor_ = open(path_.c_str(), O_RDONLY | O_CLOEXEC);
    struct stat status {};
    if (descriptor_ < 0 || fstat(descriptor_, &status) != 0) return Failure("opened");
    if (!S_ISREG(status.st_mode)) {
      Close();
      return Unavailable("{} is no regular file: name a file, or \"-\" for standard input", path_.string());
    }
    inode_ = status.st_ino;
    // Only what was there before the source began is old: a file that comes back is new.
    offset_ = from_beginning_ ? 0 : status.st_size;
    from_beginning_ = true;
    return absl::OkStatus();
  }

  absl::StatusOr<Chunk> Read(absl::Duration wait, const StopFlag& stop) override {
    Chunk chunk;
    BAYWARD_RETURN_IF_ERROR(ReadOn(chunk));
    if (!chunk.bytes.empty()) return chunk;
    BAYWARD_RETURN_IF_ERROR(NoticeReplacement(chunk));
    if (chunk.begins_anew) {
      BAYWARD_RETURN_IF_ERROR(ReadOn(chunk));
    } else {
      stop.WaitFor(wait);
    }
    return chunk;
  }

 private:
  absl::Status ReadOn(Chunk& chunk) {
    chunk.bytes.resize(kChunk);
    const ssize_t count = pread(descriptor_, chunk.bytes.data(), chunk.bytes.size(), offset_);
    chunk.bytes.resize(count > 0 ? static_cast<std::size_t>(count) : 0);
    if (count < 0 && errno != EINTR) return Failure("read");
    if (count > 0) offset_ += count;
    return absl::OkStatus();
  }

  // At the end of the file: has it been cut short, or does its name stand for another file now?
  absl::Status NoticeReplacement(Chunk& chunk) {
    struct stat here {};
    if (fstat(descriptor_, &here) != 0) return Failure("read");
    if (here.st_size < offset_) {
      offset_ = 0;
      chunk.begins_anew = true;
      return absl::OkStatus();
    }
    struct stat named {};
    if (stat(path_.c_str(), &named) != 0 || named.st_ino == inode_) return absl::OkStatus();
    BAYWARD_RETURN_IF_ERROR(Open());
    chunk.begins_anew = true;
    return absl::OkStatus();
  }

  absl::Status Failure(std::string_view what) {
    const int error = errno;
    Close();
    return Unavailable("{} cannot be {}: {}", path_.string(), what, std::strerror(error));
  }

  void Close() {
    if (descriptor_ >= 0) close(descriptor_);
    descriptor_ = -1;
  }

  std::filesystem::path path_;
  bool from_beginning_;
  int descriptor_ = -1;
  ino_t inode_ = 0;
  off_t offset_ = 0;
};

class DescriptorFeed : public ByteFeed {
 public:
  explicit DescriptorFeed(int descriptor) : descriptor_(descriptor) {}

  absl::Status Open() override { return absl::OkStatus(); }

  absl::StatusOr<Chunk> Read(absl::Duration wait, const StopFlag&) override {
    pollfd waiting{descriptor_, POLLIN, 0};
    if (poll(&waiting, 1, static_cast<int>(absl::ToInt64Milliseconds(wait))) <= 0) return Chunk{};
    Chunk chunk;
    chunk.bytes.resize(kChunk);
    const ssize_t count = read(descriptor_, chunk.bytes.data(), chunk.bytes.size());
    if (count == 0) return MakeStatus(absl::StatusCode::kOutOfRange, "standard input has ended");
    if (count < 0 && errno != EINTR && errno != EAGAIN) {
      return Unavailable("standard input cannot be read: {}", std::strerror(errno));
    }
    chunk.bytes.resize(count > 0 ? static_cast<std::size_t>(count) : 0);
    return chunk;
  }

 private:
  int descriptor_;
};

}  // namespace

std::unique_ptr<ByteFeed> ByteFeed::File(std::filesystem::path path, bool from_beginning) {
  return std::make_unique<FileFeed>(std::move(path), from_beginning);
}

std::unique_ptr<ByteFeed> ByteFeed::Descriptor(int descriptor) {
  return std::make_unique<DescriptorFeed>(descriptor);
}

}  // namespace bayward
