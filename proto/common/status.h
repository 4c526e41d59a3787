// absl::Status with formatted messages, and macros to pass one on.
#pragma once

#include <string>
#include <string_view>
#include <utility>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "fmt/format.h"

namespace bayward {

absl::Status MakeStatus(absl::StatusCode code, const std::string& message);

template <class... Args>
absl::Status InvalidArgument(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kInvalidArgument, fmt::format(format, std::forward<Args>(args)...));
}
template <class... Args>
absl::Status NotFound(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kNotFound, fmt::format(format, std::forward<Args>(args)...));
}
template <class... Args>
absl::Status FailedPrecondition(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kFailedPrecondition, fmt::format(format, std::forward<Args>(args)...));
}
template <class... Args>
absl::Status Unavailable(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kUnavailable, fmt::format(format, std::forward<Args>(args)...));
}
template <class... Args>
absl::Status ResourceExhausted(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kResourceExhausted, fmt::format(format, std::forward<Args>(args)...));
}
template <class... Args>
absl::Status Internal(fmt::format_string<Args...> format, Args&&... args) {
  return MakeStatus(absl::StatusCode::kInternal, fmt::format(format, std::forward<Args>(args)...));
}

// The message as std::string_view; Debian's Abseil has a string_view of its own.
std::string_view Message(const absl::Status& status);

}  // namespace bayward

#define BAYWARD_CONCAT_INNER_(a, b) a##b
#define BAYWARD_CONCAT_(a, b) BAYWARD_CONCAT_INNER_(a, b)

#define BAYWARD_RETURN_IF_ERROR(expression) \
  BAYWARD_RETURN_IF_ERROR_IMPL_(BAYWARD_CONCAT_(status_at_line_, __LINE__), expression)
#define BAYWARD_RETURN_IF_ERROR_IMPL_(status, expression)   \
  do {                                                      \
    if (absl::Status status = (expression); !status.ok()) return status; \
  } while (false)

#define BAYWARD_ASSIGN_OR_RETURN(lhs, expression) \
  BAYWARD_ASSIGN_OR_RETURN_IMPL_(BAYWARD_CONCAT_(result_at_line_, __LINE__), lhs, expression)
#define BAYWARD_ASSIGN_OR_RETURN_IMPL_(result, lhs, expression) \
  auto result = (expression);                                   \
  if (!result.ok()) return result.status();                     \
  lhs = std::move(result).value()
