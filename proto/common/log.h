// Logs of both programs go to standard error, one line an entry: time in UTC, level, message.
#pragma once

#include <string_view>

#include "absl/status/status.h"
#include "spdlog/spdlog.h"

namespace bayward {

// `level`: trace, debug, info, warning, error. InvalidArgument for another word.
absl::Status StartLog(std::string_view program, std::string_view level);

}  // namespace bayward
