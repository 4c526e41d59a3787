#include "server/api/worker_pool.h"

#include <atomic>

#include "absl/synchronization/blocking_counter.h"
#include "absl/synchronization/notification.h"
#include "absl/time/clock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

TEST(WorkerPoolTest, RunsEverythingTaken) {
  constexpr int kJobs = 200;
  absl::BlockingCounter left(kJobs);
  std::atomic<int> ran{0};
  WorkerPool pool(3, kJobs);
  for (int i = 0; i < kJobs; ++i) {
    ASSERT_TRUE(pool.Run([&] {
      ++ran;
      left.DecrementCount();
    }));
  }
  left.Wait();
  EXPECT_EQ(ran.load(), kJobs);
}

TEST(WorkerPoolTest, RefusesWhatDoesNotFitAndTakesAgainAfterwards) {
  absl::Notification begun, release, second_ran;
  WorkerPool pool(1, 1);
  ASSERT_TRUE(pool.Run([&] {
    begun.Notify();
    release.WaitForNotification();
  }));
  begun.WaitForNotification();
  EXPECT_TRUE(pool.Run([&] { second_ran.Notify(); }));
  bool called = false;
  EXPECT_FALSE(pool.Run([&] { called = true; }, [&] { called = true; }));
  release.Notify();
  second_ran.WaitForNotification();
  EXPECT_FALSE(called);
  absl::Notification third_ran;
  while (!pool.Run([&] { third_ran.Notify(); })) {
  }
  third_ran.WaitForNotification();
}

TEST(WorkerPoolTest, StopRunsWhatWaits) {
  std::atomic<int> ran{0}, abandoned{0};
  WorkerPool pool(2, 100);
  for (int i = 0; i < 50; ++i) ASSERT_TRUE(pool.Run([&] { ++ran; }, [&] { ++abandoned; }));
  EXPECT_TRUE(pool.Stop().ok());
  EXPECT_EQ(ran.load(), 50);
  EXPECT_EQ(abandoned.load(), 0);
  EXPECT_FALSE(pool.Run([] {}));
  EXPECT_TRUE(pool.Stop().ok());
}

TEST(WorkerPoolTest, StopAbandonsWhatStillWaitsAtTheDeadline) {
  absl::Notification begun, release;
  std::atomic<int> ran{0}, abandoned{0};
  WorkerPool pool(1, 10);
  ASSERT_TRUE(pool.Run([&] {
    begun.Notify();
    release.WaitForNotification();
    ++ran;
  }));
  begun.WaitForNotification();
  for (int i = 0; i < 5; ++i) ASSERT_TRUE(pool.Run([&] { ++ran; }, [&] { ++abandoned; }));
  EXPECT_EQ(pool.Stop(absl::Now()).code(), absl::StatusCode::kDeadlineExceeded);
  EXPECT_EQ(abandoned.load(), 5);
  release.Notify();
  EXPECT_TRUE(pool.Stop().ok());
  EXPECT_EQ(ran.load(), 1);
}

}  // namespace
}  // namespace bayward
