#include "server/cli/client.h"

#include <chrono>

#include "absl/time/clock.h"
#include "proto/common/status.h"

namespace bayward::cli {
namespace {

constexpr int kResponseBytesMax = 64 * 1024 * 1024;

std::chrono::system_clock::time_point After(absl::Duration duration) {
  return std::chrono::system_clock::now() + absl::ToChronoMilliseconds(duration);
}

}  // namespace

Client::Client(std::string server, ClientOptions options) : server_(std::move(server)), options_(options) {
  grpc::ChannelArguments arguments;
  arguments.SetMaxReceiveMessageSize(kResponseBytesMax);
  // The server is asked directly, whatever proxy this computer uses for the web.
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);
  channel_ = grpc::CreateCustomChannel(server_, grpc::InsecureChannelCredentials(), arguments);
  fleet_ = v1::Fleet::NewStub(channel_);
  figures_ = v1::Figures::NewStub(channel_);
  records_ = v1::Records::NewStub(channel_);
}

absl::Status Client::Connect() {
  const auto deadline = After(options_.connect_timeout);
  while (true) {
    const grpc_connectivity_state state = channel_->GetState(/*try_to_connect=*/true);
    if (state == GRPC_CHANNEL_READY) return absl::OkStatus();
    const bool failed = state == GRPC_CHANNEL_TRANSIENT_FAILURE || state == GRPC_CHANNEL_SHUTDOWN;
    if (failed || !channel_->WaitForStateChange(state, deadline)) {
      return Unavailable(
          "no server can be reached at {}; see that bayward-server runs there, or name another with --server",
          server_);
    }
  }
}

void Client::SetDeadline(grpc::ClientContext& context) const {
  context.set_deadline(After(options_.call_timeout));
}

absl::Status Client::StatusOf(const grpc::Status& status) const {
  const auto code = static_cast<absl::StatusCode>(status.error_code());
  if (status.error_code() == grpc::StatusCode::DEADLINE_EXCEEDED) {
    return MakeStatus(
        code, fmt::format("the server at {} did not answer within {} s; ask for a shorter window or fewer "
                          "machines",
                          server_, absl::ToInt64Seconds(options_.call_timeout)));
  }
  if (status.error_message().empty()) {
    return MakeStatus(
        code, fmt::format("the server at {} failed with {} and said nothing more; its log should", server_,
                          absl::StatusCodeToString(code)));
  }
  return MakeStatus(code, status.error_message());
}

}  // namespace bayward::cli
