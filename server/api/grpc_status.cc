#include "server/api/grpc_status.h"

#include <cstddef>
#include <string>
#include <string_view>

#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::size_t kMessageBytesMax = 6 * 1024;  // as it travels
constexpr int kHighestCode = 16;                    // UNAUTHENTICATED

// Where to cut so that the percent-encoded text stays within the limit; never inside a UTF-8 character.
std::size_t CutAt(std::string_view text) {
  std::size_t encoded = 0;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    encoded += c >= ' ' && c <= '~' && c != '%' ? 1 : 3;
    if (encoded <= kMessageBytesMax) continue;
    while (i > 0 && (static_cast<unsigned char>(text[i]) & 0xC0) == 0x80) --i;
    return i;
  }
  return text.size();
}

}  // namespace

grpc::Status ToGrpcStatus(const absl::Status& status) {
  if (status.ok()) return grpc::Status::OK;
  const std::string_view message = Message(status);
  const std::size_t cut = CutAt(message);
  std::string text(message.substr(0, cut));
  if (cut < message.size()) text += fmt::format(" ... and {} bytes more", message.size() - cut);
  return {static_cast<grpc::StatusCode>(status.code()), text};
}

absl::Status FromGrpcStatus(const grpc::Status& status) {
  const int code = status.error_code();
  return MakeStatus(
      code >= 0 && code <= kHighestCode ? static_cast<absl::StatusCode>(code) : absl::StatusCode::kUnknown,
      status.error_message());
}

}  // namespace bayward
