#include "server/api/worker_pool.h"

#include <utility>

#include "proto/common/status.h"

namespace bayward {

WorkerPool::WorkerPool(int threads, std::size_t waiting_max) : waiting_max_(waiting_max) {
  for (int i = 0; i < threads; ++i) threads_.emplace_back([this] { Work(); });
}

WorkerPool::~WorkerPool() {
  Stop().IgnoreError();
  for (std::thread& thread : threads_) thread.join();
}

bool WorkerPool::Run(std::function<void()> work, std::function<void()> abandoned) {
  absl::MutexLock lock(&mutex_);
  if (stopping_ || waiting_.size() >= waiting_max_) return false;
  waiting_.push_back({std::move(work), std::move(abandoned)});
  return true;
}

absl::Status WorkerPool::Stop(absl::Time deadline) {
  std::deque<Job> left;
  int running = 0;
  {
    absl::MutexLock lock(&mutex_);
    stopping_ = true;
    const auto quiet = [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
      return waiting_.empty() && running_ == 0;
    };
    mutex_.AwaitWithDeadline(absl::Condition(&quiet), deadline);
    left.swap(waiting_);
    running = running_;
  }
  for (const Job& job : left) {
    if (job.abandoned) job.abandoned();
  }
  if (running == 0) return absl::OkStatus();
  return MakeStatus(
      absl::StatusCode::kDeadlineExceeded,
      fmt::format("{} requests were still being answered when the time to stop was over", running));
}

std::size_t WorkerPool::waiting() const {
  absl::MutexLock lock(&mutex_);
  return waiting_.size();
}

void WorkerPool::Work() {
  while (true) {
    Job job;
    {
      absl::MutexLock lock(&mutex_);
      const auto ready = [this]()
                             ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return stopping_ || !waiting_.empty(); };
      mutex_.Await(absl::Condition(&ready));
      if (waiting_.empty()) return;
      job = std::move(waiting_.front());
      waiting_.pop_front();
      ++running_;
    }
    job.work();
    job = Job();  // what it holds is let go before it counts as done
    absl::MutexLock lock(&mutex_);
    --running_;
  }
}

}  // namespace bayward
