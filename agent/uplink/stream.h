// One gRPC stream to a server, as messages in and out. gRPC's threads only queue and signal; everything else
// is done by the one thread that calls the public functions, and that thread destroys it, once it is done.
// The channel must be let go by that thread too, and later: gRPC 1.51 aborts where the last of a channel goes
// in a thread of its own.
#pragma once

#include <deque>
#include <memory>
#include <optional>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "agent/uplink/signal.h"
#include "bayward/v1/uplink.grpc.pb.h"
#include "grpcpp/channel.h"
#include "grpcpp/client_context.h"
#include "grpcpp/support/client_callback.h"

namespace bayward {

class UplinkStream final : public grpc::ClientBidiReactor<v1::AgentMessage, v1::ServerMessage> {
 public:
  // Messages taken in before the next is read: behind that the server is held up.
  static constexpr std::size_t kInboxMax = 16;

  // `signal` is set whenever Take, can_write or done may give something new.
  UplinkStream(const std::shared_ptr<grpc::Channel>& channel, std::shared_ptr<Signal> signal);
  ~UplinkStream() override;

  std::optional<v1::ServerMessage> Take();
  // False while a message is being written, and after HalfClose.
  bool can_write() const;
  void Write(v1::AgentMessage message);
  // No more will be written; the server then ends the stream.
  void HalfClose();
  void Cancel() { context_.TryCancel(); }
  // After that nothing comes any more but what Take still has.
  bool done() const;
  grpc::Status status() const;

 private:
  void OnReadDone(bool ok) override;
  void OnWriteDone(bool ok) override;
  void OnWritesDoneDone(bool ok) override;
  void OnDone(const grpc::Status& status) override;
  // Whether it is time to let gRPC finish: nothing of this side may be started afterwards.
  bool MayFinish() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  std::unique_ptr<v1::Uplink::Stub> stub_;
  std::shared_ptr<Signal> signal_;
  grpc::ClientContext context_;
  v1::ServerMessage in_;  // gRPC's while a read is in flight
  v1::AgentMessage out_;  // gRPC's while a write is in flight

  mutable absl::Mutex mutex_;
  std::deque<v1::ServerMessage> inbox_ ABSL_GUARDED_BY(mutex_);
  bool reading_ ABSL_GUARDED_BY(mutex_) = true;
  bool read_ended_ ABSL_GUARDED_BY(mutex_) = false;
  bool writing_ ABSL_GUARDED_BY(mutex_) = false;  // a message, or that there will be no more
  bool write_ended_ ABSL_GUARDED_BY(mutex_) = false;
  bool released_ ABSL_GUARDED_BY(mutex_) = false;
  bool done_ ABSL_GUARDED_BY(mutex_) = false;
  grpc::Status status_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace bayward
