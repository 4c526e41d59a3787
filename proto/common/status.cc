#include "proto/common/status.h"

namespace bayward {

absl::Status MakeStatus(absl::StatusCode code, const std::string& message) {
  return absl::Status(code, absl::string_view(message.data(), message.size()));
}

std::string_view Message(const absl::Status& status) {
  return {status.message().data(), status.message().size()};
}

}  // namespace bayward
