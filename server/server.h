// The whole server: wires database, ingest, live fleet, services and doors together, runs until told to stop, and stops
// producers before consumers. One thread.
#pragma once

#include <memory>

#include "absl/status/status.h"
#include "proto/common/clock.h"
#include "server/config/server_config.h"

namespace bayward {

// Starts everything, says "ready" in the log, waits for `stop`, drains. Errors say what could not be started.
absl::Status RunServer(const ServerConfig& config, const StopFlag& stop);

}  // namespace bayward
