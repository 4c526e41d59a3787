// Cuts a stream of bytes into lines; a line may arrive in pieces. Thread-compatible.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace bayward {

class LineSplitter {
 public:
  // A line longer than this is passed over, and counted.
  static constexpr std::size_t kLongestLine = 64 * 1024;

  // The lines completed by `bytes`, without their ends ("\n" or "\r\n"); empty ones are left out.
  std::vector<std::string> Add(std::string_view bytes);

  // Forgets an unfinished line.
  void Reset();

  std::uint64_t too_long() const { return too_long_; }

 private:
  std::string partial_;
  bool skipping_ = false;
  std::uint64_t too_long_ = 0;
};

}  // namespace bayward
