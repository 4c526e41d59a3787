// What is known of an agent now: whether it is heard, how far it has delivered, what it says of itself.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "server/model/ids.h"

namespace bayward {

struct CodeBookInUse {
  std::string machine;
  std::string name;
  std::string version;
  std::string sha256;
};

struct LiveAgent {
  AgentId id;
  bool connected = false;
  absl::Time last_seen = absl::InfinitePast();
  std::string version;
  std::uint64_t watermark = 0;      // of the current epoch
  std::uint64_t last_recorded = 0;  // what the agent says it recorded in it
  std::uint64_t backlog_events = 0;  // recorded, not yet acknowledged, over all epochs
  std::uint64_t spool_bytes = 0;
  std::uint64_t spool_bytes_max = 0;
  std::uint64_t dropped_events = 0;
  absl::Duration clock_offset;  // agent's wall clock minus ours, as of the last heartbeat
  std::vector<CodeBookInUse> code_books;
};

}  // namespace bayward
