// One agent: its spool, recorder, uplink and sources, wired. Start, Tick and Stop are called by one thread.
#pragma once

#include <memory>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "agent/config/agent_config.h"
#include "agent/recorder/recorder.h"
#include "agent/spool/sqlite_spool.h"
#include "agent/uplink/uplink.h"

namespace bayward {

class Agent {
 public:
  Agent(AgentConfig config, Clock& clock);
  ~Agent();
  Agent(const Agent&) = delete;
  Agent& operator=(const Agent&) = delete;

  // Consumers first: spool, recorder, uplink, then the sources. What was started is stopped by Stop, after an
  // error too.
  absl::Status Start();
  // Once a second.
  void Tick();
  // Sources first; then what is recorded gets up to `grace` to be delivered. May be called again.
  void Stop(absl::Duration grace);

  const std::string& name() const { return config_.name; }

 private:
  AgentConfig config_;
  Clock& clock_;
  std::unique_ptr<SqliteSpool> spool_;
  std::unique_ptr<Recorder> recorder_;
  std::unique_ptr<Uplink> uplink_;
};

}  // namespace bayward
