// Threads that run handlers, so that they may block without holding up a door. Bounded: what does not fit is
// refused. Thread-safe.
#pragma once

#include <cstddef>
#include <deque>
#include <functional>
#include <thread>
#include <vector>

#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"

namespace bayward {

class WorkerPool {
 public:
  // At most `threads` pieces of work run and `waiting_max` wait.
  WorkerPool(int threads, std::size_t waiting_max);
  // Stops, and waits for what runs.
  ~WorkerPool();

  // False where as much waits already as may, or after Stop(): neither function is called then. Otherwise
  // exactly one is: `work`, or `abandoned` where Stop() came to its deadline first. Neither may throw;
  // `abandoned` must not block.
  bool Run(std::function<void()> work, std::function<void()> abandoned = nullptr);

  // Takes no more, runs what waits until `deadline`, abandons what still waits then. DeadlineExceeded where
  // work still runs: it cannot be interrupted, only the destructor waits for it. Idempotent, from any thread
  // but the pool's own.
  absl::Status Stop(absl::Time deadline = absl::InfiniteFuture());

  // Pieces of work that wait now.
  std::size_t waiting() const;

 private:
  struct Job {
    std::function<void()> work;
    std::function<void()> abandoned;
  };

  void Work();

  const std::size_t waiting_max_;
  mutable absl::Mutex mutex_;
  std::deque<Job> waiting_ ABSL_GUARDED_BY(mutex_);
  int running_ ABSL_GUARDED_BY(mutex_) = 0;
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;
  std::vector<std::thread> threads_;
};

}  // namespace bayward
