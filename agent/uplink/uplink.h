// Delivers an agent's spool to a server, one stream after another. A thread of its own reads the spool and
// speaks; gRPC's threads only queue. Start, Stop and the constructor are called by one thread, Wake by any.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <thread>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "agent/recorder/recorder.h"
#include "agent/spool/spool.h"
#include "agent/uplink/reconnect.h"
#include "agent/uplink/session.h"
#include "agent/uplink/signal.h"
#include "grpcpp/security/credentials.h"
#include "proto/common/clock.h"

namespace bayward {

struct UplinkOptions {
  std::string server;  // host:port
  std::shared_ptr<grpc::ChannelCredentials> credentials;
  SessionOptions session;
  ReconnectPolicy::Options reconnect;
  // Routers on the way forget silent connections; a random time in between, so that agents do not ping in
  // step.
  absl::Duration keepalive_least = absl::Seconds(60);
  absl::Duration keepalive_most = absl::Seconds(120);
};

class Uplink {
 public:
  // `spool` and `recorder` must outlive it.
  Uplink(UplinkOptions options, Spool& spool, Recorder& recorder);
  ~Uplink();
  Uplink(const Uplink&) = delete;
  Uplink& operator=(const Uplink&) = delete;

  void Start();
  // There may be something new to deliver.
  void Wake() { signal_->Set(); }
  // Delivers on for at most `grace`, ends the stream and joins the thread. May be called again.
  void Stop(absl::Duration grace);

 private:
  void Run();
  SessionEnd RunSession();
  std::shared_ptr<grpc::Channel> MakeChannel();
  std::optional<absl::Duration> StopAfter() const;
  void Tell(const SessionEnd& end, absl::Duration pause);

  const UplinkOptions options_;
  Spool& spool_;
  Recorder& recorder_;
  std::shared_ptr<Signal> signal_ = std::make_shared<Signal>();
  StopFlag stop_;
  std::string told_;  // what the log last said of the server

  mutable absl::Mutex mutex_;
  std::optional<absl::Duration> stop_after_ ABSL_GUARDED_BY(mutex_);
  std::thread thread_;
};

}  // namespace bayward
