// One agent's configuration, read and checked as a whole before anything starts. Value types.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "agent/sources/source.h"
#include "proto/common/clock.h"
#include "proto/common/settings.h"

namespace bayward {

struct AgentConfig {
  std::string name;
  std::filesystem::path data_dir;
  std::string server;  // host:port
  std::uint64_t spool_bytes_max = 0;
  absl::Duration spool_age_max;
  std::string log_level;
  std::vector<std::unique_ptr<Source>> sources;
};

const std::vector<Setting>& AgentSettings();

// The settings and the [[source]] tables of one file, code books included. Every fault is appended to
// `faults`; the result is to be used only if there is none. Relative paths are relative to the file's folder.
AgentConfig ReadAgentConfig(const Settings& settings, Clock& clock, std::vector<std::string>& faults);

// The top-level tables of the file that are no settings.
const std::vector<std::string>& AgentTables();

// Faults between agents of one process: a folder or a name used twice.
void CheckAgents(const std::vector<AgentConfig>& agents, std::vector<std::string>& faults);

// Whether traffic to host:port stays on this machine.
bool IsLoopback(const std::string& server);

}  // namespace bayward
