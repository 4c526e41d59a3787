#include "agent/uplink/reconnect.h"

#include <algorithm>
#include <cmath>

#include "fmt/format.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr int kRenewalsAtOnce = 3;
constexpr int kDoublingsMax = 20;
constexpr absl::Duration kShortest = absl::Milliseconds(20);

absl::Duration Doubled(absl::Duration first, int times, absl::Duration longest) {
  return std::min(first * std::ldexp(1.0, std::min(times, kDoublingsMax)), longest);
}

}  // namespace

absl::Duration ReconnectPolicy::PauseAfter(const SessionEnd& end) {
  if (end.good) {
    failures_ = 0;
    refusals_ = 0;
    renewals_ = 0;
  }
  if (end.reconnect_after.has_value()) {
    const absl::Duration asked = std::clamp(*end.reconnect_after, absl::ZeroDuration(), absl::Minutes(10));
    return asked + std::max(asked / 2, absl::Seconds(1)) * Random(0, 1);
  }
  if (end.renew && renewals_++ < kRenewalsAtOnce) return kShortest;
  if (IsRefusal(end.status)) {
    return Doubled(options_.refused_first, refusals_++, options_.refused_longest) * Random(0.5, 1);
  }
  return std::max(Doubled(options_.first, failures_++, options_.longest) * Random(0, 1), kShortest);
}

bool IsRefusal(const absl::Status& status) {
  switch (status.code()) {
    case absl::StatusCode::kFailedPrecondition:
    case absl::StatusCode::kNotFound:
    case absl::StatusCode::kInvalidArgument:
    case absl::StatusCode::kPermissionDenied:
    case absl::StatusCode::kUnauthenticated:
    case absl::StatusCode::kUnimplemented:
      return true;
    default:
      return false;
  }
}

std::string Explain(const absl::Status& status, const std::string& agent, const std::string& server) {
  const std::string_view said = Message(status);
  switch (status.code()) {
    case absl::StatusCode::kFailedPrecondition:
      return fmt::format(
          "{} does not work with this version of the agent ({}): bring both to versions that do", server,
          said);
    case absl::StatusCode::kNotFound:
      return fmt::format("{} does not know agent \"{}\" ({}): declare it in the fleet's files and apply them",
                         server, agent, said);
    case absl::StatusCode::kAlreadyExists:
      return fmt::format(
          "another process answers {} as agent \"{}\" ({}): stop one, or give it a name of its own", server,
          agent, said);
    case absl::StatusCode::kInvalidArgument:
      return fmt::format("{} could not use what it was sent ({}): report it with both versions", server,
                         said);
    case absl::StatusCode::kPermissionDenied:
    case absl::StatusCode::kUnauthenticated:
      return fmt::format("{} does not let agent \"{}\" in ({}): check its certificate", server, agent, said);
    case absl::StatusCode::kUnimplemented:
      return fmt::format("what answers at {} is no Bayward server for agents ({}): check uplink.server",
                         server, said);
    case absl::StatusCode::kUnavailable:
      return fmt::format("{} cannot be reached ({}); events are kept", server, said);
    default:
      return fmt::format("{} ended the stream ({}); events are kept", server, said);
  }
}

}  // namespace bayward
