#include "agent/uplink/uplink.h"

#include <random>
#include <utility>

#include "agent/uplink/stream.h"
#include "grpcpp/create_channel.h"
#include "grpcpp/support/channel_arguments.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {

Uplink::Uplink(UplinkOptions options, Spool& spool, Recorder& recorder)
    : options_(std::move(options)), spool_(spool), recorder_(recorder) {}

Uplink::~Uplink() { Stop(absl::ZeroDuration()); }

void Uplink::Start() {
  recorder_.SetChanged([this] { Wake(); });
  thread_ = std::thread([this] { Run(); });
}

void Uplink::Stop(absl::Duration grace) {
  {
    absl::MutexLock lock(&mutex_);
    if (!stop_after_.has_value()) stop_after_ = grace;
  }
  stop_.Stop();
  signal_->Set();
  if (thread_.joinable()) {
    thread_.join();
    recorder_.SetChanged(nullptr);
  }
}

std::optional<absl::Duration> Uplink::StopAfter() const {
  absl::MutexLock lock(&mutex_);
  return stop_after_;
}

void Uplink::Run() {
  ReconnectPolicy policy(options_.reconnect);
  while (!stop_.stopped()) {
    const SessionEnd end = RunSession();
    if (stop_.stopped()) return;
    const absl::Duration pause = policy.PauseAfter(end);
    Tell(end, pause);
    stop_.WaitFor(pause);
  }
}

SessionEnd Uplink::RunSession() {
  // A channel of its own for each stream: an old one would wait by a rule that is not ours before it tries
  // again.
  const std::shared_ptr<grpc::Channel> channel = MakeChannel();
  UplinkStream stream(channel, signal_);
  return UplinkSession(options_.session, spool_, recorder_, stream, *signal_, [this] { return StopAfter(); })
      .Run();
}

std::shared_ptr<grpc::Channel> Uplink::MakeChannel() {
  static thread_local std::mt19937 random{std::random_device{}()};
  const absl::Duration spread = options_.keepalive_most - options_.keepalive_least;
  const absl::Duration keepalive =
      options_.keepalive_least + spread * std::uniform_real_distribution<double>(0, 1)(random);
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIME_MS, static_cast<int>(absl::ToInt64Milliseconds(keepalive)));
  arguments.SetInt(GRPC_ARG_KEEPALIVE_TIMEOUT_MS, 20'000);
  arguments.SetInt(GRPC_ARG_KEEPALIVE_PERMIT_WITHOUT_CALLS, 1);
  arguments.SetInt(GRPC_ARG_HTTP2_MAX_PINGS_WITHOUT_DATA, 0);
  // Agents that share a process must not share a connection: a server may be asked to let one of them go.
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);
  return grpc::CreateCustomChannel(options_.server, options_.credentials, arguments);
}

void Uplink::Tell(const SessionEnd& end, absl::Duration pause) {
  if (end.status.ok()) {
    told_.clear();
    return;
  }
  const std::string what = Explain(end.status, options_.session.agent, options_.server);
  const std::string line = fmt::format("agent {}: {}; next try in {}", options_.session.agent, what,
                                       absl::FormatDuration(absl::Trunc(pause, absl::Milliseconds(1))));
  // A server that is away for days must not fill the log.
  if (what == told_) {
    spdlog::debug("{}", line);
  } else if (IsRefusal(end.status)) {
    spdlog::error("{}", line);
  } else {
    spdlog::warn("{}", line);
  }
  told_ = what;
}

}  // namespace bayward
