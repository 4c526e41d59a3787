// One writer: a thread with a database connection of its own that takes the jobs of its agents in groups, folds them in
// one transaction each, and answers after COMMIT. An agent belongs to one writer. Enqueue() may be called from any
// thread; everything else happens on the writer's own.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <set>
#include <thread>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "server/ingest/agent_fold.h"
#include "server/ingest/ingest_counts.h"
#include "server/ingest/jobs.h"
#include "server/model/fleet.h"
#include "server/store/database.h"

namespace bayward {

struct WriterOptions {
  std::size_t queue_jobs_max = 4096;
  std::size_t agent_events_max = 2000;   // of one agent in a group
  std::size_t group_events_max = 20000;  // of all
  absl::Duration observed_flush = absl::Seconds(30);
};

class Writer {
 public:
  using FleetSource = std::function<std::shared_ptr<const Fleet>()>;

  Writer(const Database& database, FleetSource fleet, IngestCounts& counts, WriterOptions options);
  ~Writer();

  void Start();
  // False where the queue is full; the job is not taken then.
  bool Enqueue(Job job);
  // Finishes what is queued until `deadline`, drops the rest unanswered, and ends. Idempotent.
  void Stop(absl::Time deadline);

 private:
  struct AgentQueue {
    std::deque<Job> jobs;
    absl::Time skipped_since = absl::InfiniteFuture();
    bool skip_counted = false;
  };
  using Group = std::map<AgentId, std::vector<Job>>;
  struct Answer {
    std::vector<v1::ServerMessage> messages;
  };
  struct Attempt {
    absl::Status status;
    std::set<AgentId> skipped;
    std::map<AgentId, AgentFold> folds;
    std::map<AgentId, std::vector<Answer>> answers;  // one for each job
    GroupCounts counts;
  };

  void Run();
  Group TakeGroup() ABSL_LOCKS_EXCLUDED(mutex_);
  void PutBack(AgentId agent, std::vector<Job> jobs) ABSL_LOCKS_EXCLUDED(mutex_);
  void HandleHeartbeats(Group& group);
  void Commit(Group group);
  // One transaction. Only the first `entries_max` entries of the group are applied; `keep` false rolls back.
  Attempt Try(const Group& group, std::size_t entries_max, bool keep);
  absl::Status TryInto(const Group& group, std::size_t entries_max, bool keep, Attempt& attempt);
  absl::Status LoadFolds(IngestTransaction& transaction, std::vector<AgentProgress> locked, Attempt& attempt);
  absl::Status FoldAgent(IngestTransaction& transaction, const std::vector<Job>& jobs, const Fleet& fleet,
                         GroupRows& rows, AgentFold& fold, std::size_t& entries_left, Attempt& attempt);
  void Poison(const Group& group, const absl::Status& refused);
  void Finish(Group group, Attempt attempt);
  void Abandon(Group group);
  void Fail(Group group, const absl::Status& status);
  void FlushObserved();
  absl::Status Connect();

  const Database& database_;
  const FleetSource fleet_;
  IngestCounts& counts_;
  const WriterOptions options_;

  absl::Mutex mutex_;
  absl::flat_hash_map<AgentId, AgentQueue> queues_ ABSL_GUARDED_BY(mutex_);
  std::deque<AgentId> live_ ABSL_GUARDED_BY(mutex_);     // agents with jobs, in the order they came
  std::deque<AgentId> backlog_ ABSL_GUARDED_BY(mutex_);
  std::size_t queued_ ABSL_GUARDED_BY(mutex_) = 0;
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;
  absl::Time stop_by_ ABSL_GUARDED_BY(mutex_) = absl::InfiniteFuture();

  // The writer's thread only.
  std::unique_ptr<Connection> connection_;
  absl::flat_hash_map<AgentId, AgentFold> remembered_;
  std::map<AgentId, absl::Time> observed_;  // agents heard to be alive, not yet flushed
  absl::Time flushed_at_ = absl::InfinitePast();
  bool caught_up_ = false;  // one of them was long behind
  std::set<Poisoned> poisoned_;
  EventReader reader_;

  std::thread thread_;
};

}  // namespace bayward
