// One agent's stream: a gRPC reactor that parses, checks the order of messages and hands jobs to the agent's writer.
// gRPC calls its On… methods; writers call Reply(). It has at most one read and one write in flight, decides under its
// mutex and acts outside it, calls Finish once and only when no job is out and no thread is between deciding and
// acting, and deletes itself in OnDone().
#pragma once

#include <deque>
#include <memory>
#include <vector>

#include "absl/functional/function_ref.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "bayward/v1/uplink.grpc.pb.h"
#include "server/ingest/jobs.h"
#include "server/model/ids.h"

namespace bayward {

class Ingest;

class UplinkStream : public grpc::ServerBidiReactor<v1::AgentMessage, v1::ServerMessage> {
 public:
  explicit UplinkStream(Ingest& ingest);

  // Ends the stream with `status` once what is in flight has been answered.
  void End(const grpc::Status& status);
  // Tells the agent, without ending anything.
  void Tell(v1::ServerMessage message);
  // Reads on if it waited for the hold or for room.
  void Resume();
  absl::Time last_heard() const;

  void OnReadDone(bool ok) override;
  void OnWriteDone(bool ok) override;
  void OnCancel() override;
  void OnDone() override;

 private:
  void Handle(v1::AgentMessage& message) ABSL_LOCKS_EXCLUDED(mutex_);
  void HandleHello(v1::Hello& hello) ABSL_LOCKS_EXCLUDED(mutex_);
  absl::Status HandleBatch(v1::Batch& batch) ABSL_LOCKS_EXCLUDED(mutex_);
  void Send(decltype(Job::what) what, bool backlog) ABSL_LOCKS_EXCLUDED(mutex_);
  void Reply(const absl::Status& status, std::vector<v1::ServerMessage> messages) ABSL_LOCKS_EXCLUDED(mutex_);
  void Fill(v1::Welcome& welcome) const;
  // Changes the state under the lock, then starts outside it what may now be started. Nothing of the stream may be
  // touched after it: it may have finished the stream, and another thread may have deleted it.
  void Step(absl::FunctionRef<void()> change) ABSL_LOCKS_EXCLUDED(mutex_);

  Ingest& ingest_;
  v1::AgentMessage incoming_;  // belongs to the read in flight

  mutable absl::Mutex mutex_;
  std::shared_ptr<const StreamHello> hello_ ABSL_GUARDED_BY(mutex_);
  AgentId agent_ ABSL_GUARDED_BY(mutex_);
  SiteId site_ ABSL_GUARDED_BY(mutex_);
  std::uint64_t last_recorded_ ABSL_GUARDED_BY(mutex_) = 0;
  absl::Time last_heard_ ABSL_GUARDED_BY(mutex_);
  std::deque<v1::ServerMessage> outgoing_ ABSL_GUARDED_BY(mutex_);  // the first is being written while writing_
  int jobs_ ABSL_GUARDED_BY(mutex_) = 0;                            // out at the writer
  int busy_ ABSL_GUARDED_BY(mutex_) = 0;                            // threads that handle a message or start something
  bool reading_ ABSL_GUARDED_BY(mutex_) = true;
  bool read_over_ ABSL_GUARDED_BY(mutex_) = false;  // the agent will send no more
  bool writing_ ABSL_GUARDED_BY(mutex_) = false;
  bool cancelled_ ABSL_GUARDED_BY(mutex_) = false;
  bool ending_ ABSL_GUARDED_BY(mutex_) = false;
  bool finished_ ABSL_GUARDED_BY(mutex_) = false;
  grpc::Status end_status_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace bayward
