#include "agent/sources/line_splitter.h"

namespace bayward {

std::vector<std::string> LineSplitter::Add(std::string_view bytes) {
  std::vector<std::string> lines;
  while (!bytes.empty()) {
    const std::size_t end = bytes.find('\n');
    const std::string_view piece = bytes.substr(0, end);
    if (!skipping_ && partial_.size() + piece.size() > kLongestLine) {
      skipping_ = true;
      ++too_long_;
      partial_.clear();
    }
    if (!skipping_) partial_ += piece;
    if (end == std::string_view::npos) break;
    bytes.remove_prefix(end + 1);
    if (!partial_.empty() && partial_.back() == '\r') partial_.pop_back();
    if (!partial_.empty()) lines.push_back(partial_);
    partial_.clear();
    skipping_ = false;
  }
  return lines;
}

void LineSplitter::Reset() {
  partial_.clear();
  skipping_ = false;
}

}  // namespace bayward
