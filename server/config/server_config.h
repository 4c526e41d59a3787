// The server's configuration: what an operator may set, and the typed values the program runs with.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "proto/common/settings.h"

namespace bayward {

struct ServerConfig {
  std::string data_dir;
  std::string database;  // empty: the private cluster in data_dir
  std::string cluster_user;
  std::string listen_agents;
  std::string listen_api;
  std::string listen_http;
  std::string log_level;
  int writers = 2;
  absl::Duration heartbeat_interval;
  absl::Duration drain_timeout;
  int event_days = 0;
  int cycle_days = 0;
  std::uint64_t disk_free_min_bytes = 0;
  double disk_free_min_fraction = 0;
  std::vector<std::string> printed;  // every setting with its origin, secrets masked
};

const Program& ServerProgram();
const std::vector<Setting>& ServerSettings();

// Appends to `faults` what only the whole shows: a listening address without port, nothing to keep data in.
ServerConfig MakeServerConfig(const Settings& settings, std::vector<std::string>& faults);

}  // namespace bayward
