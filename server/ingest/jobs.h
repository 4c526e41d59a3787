// What streams hand to writers, and what writers answer; the reply is called on the
// writer's thread.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <variant>
#include <vector>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.pb.h"
#include "server/model/ids.h"

namespace bayward {

// What a stream said in its hello, kept for as long as it lasts.
struct StreamHello {
  v1::Hello hello;
  absl::Time received_at;
};

struct HelloJob {};
struct BatchJob {
  v1::Batch batch;
};
struct LiveReportJob {
  v1::LiveReport report;
};
struct HeartbeatJob {
  v1::Heartbeat heartbeat;
};
// Look at the agent again: machines were declared or given to somebody else.
struct TouchJob {};

struct Job {
  AgentId agent;
  SiteId site;
  std::shared_ptr<const StreamHello> stream;  // null for TouchJob
  std::variant<HelloJob, BatchJob, LiveReportJob, HeartbeatJob, TouchJob> what;
  bool backlog = false;  // history: waits while live jobs of other agents are there
  // Answers the stream that brought it, after COMMIT, exactly once; a status other than OK ends the stream. May be empty.
  std::function<void(const absl::Status& status, std::vector<v1::ServerMessage> messages)> reply;
};

}  // namespace bayward
