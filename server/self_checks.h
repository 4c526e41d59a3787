// What `bayward doctor` asks the server about itself: schema, partitions, disk, accounts, configuration.
#pragma once

#include "server/api/fleet_handlers.h"
#include "server/config/server_config.h"
#include "server/housekeeping.h"
#include "server/store/database.h"

namespace bayward {

// All arguments outlive the result.
Diagnostics MakeSelfChecks(const ServerConfig& config, Database& database, const Housekeeping& housekeeping);

}  // namespace bayward
