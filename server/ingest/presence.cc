#include "server/ingest/presence.h"

namespace bayward {

void Presence::Connected(AgentId agent, const v1::Hello& hello, absl::Time now) {
  absl::MutexLock lock(&mutex_);
  LiveAgent& row = agents_[agent];
  row.id = agent;
  row.connected = true;
  row.last_seen = now;
  row.version = hello.agent_version();
  row.clock_offset = absl::FromUnixMicros(hello.wall_us()) - now;
  row.code_books.clear();
  for (const auto& book : hello.code_books()) {
    row.code_books.push_back({book.machine(), book.name(), book.version(), book.sha256()});
  }
  row.backlog_events = 0;
  for (const auto& held : hello.held()) {
    if (held.last_sequence() >= held.oldest_sequence()) row.last_recorded = held.last_sequence();
  }
}

void Presence::Heard(AgentId agent, const v1::Heartbeat& heartbeat, absl::Time now) {
  absl::MutexLock lock(&mutex_);
  LiveAgent& row = agents_[agent];
  row.id = agent;
  row.last_seen = now;
  row.last_recorded = heartbeat.last_sequence();
  row.backlog_events = heartbeat.spool_events();
  row.spool_bytes = heartbeat.spool_bytes();
  row.spool_bytes_max = heartbeat.spool_bytes_max();
  row.dropped_events = heartbeat.dropped_events();
  if (heartbeat.wall_us() != 0) row.clock_offset = absl::FromUnixMicros(heartbeat.wall_us()) - now;
}

void Presence::Heard(AgentId agent, absl::Time now) {
  absl::MutexLock lock(&mutex_);
  agents_[agent].last_seen = now;
}

void Presence::Disconnected(AgentId agent, absl::Time now) {
  absl::MutexLock lock(&mutex_);
  LiveAgent& row = agents_[agent];
  row.connected = false;
  row.last_seen = now;
}

std::vector<LiveAgent> Presence::Agents() const {
  absl::MutexLock lock(&mutex_);
  std::vector<LiveAgent> agents;
  agents.reserve(agents_.size());
  for (const auto& [id, agent] : agents_) agents.push_back(agent);
  return agents;
}

}  // namespace bayward
