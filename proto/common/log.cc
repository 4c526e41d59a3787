#include "proto/common/log.h"

#include <memory>
#include <string>

#include "proto/common/status.h"
#include "spdlog/sinks/stdout_sinks.h"

namespace bayward {

absl::Status StartLog(std::string_view program, std::string_view level) {
  const auto parsed = spdlog::level::from_str(std::string(level));
  if (parsed == spdlog::level::off && level != "off") {
    return InvalidArgument("log level \"{}\": expected trace, debug, info, warning or error", level);
  }
  auto logger = spdlog::get(std::string(program));
  if (logger == nullptr) logger = spdlog::stderr_logger_mt(std::string(program));
  logger->set_pattern("%Y-%m-%dT%H:%M:%S.%eZ %l %v", spdlog::pattern_time_type::utc);
  logger->set_level(parsed);
  spdlog::set_default_logger(std::move(logger));
  return absl::OkStatus();
}

}  // namespace bayward
