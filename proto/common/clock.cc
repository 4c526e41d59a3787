#include "proto/common/clock.h"

#include <sys/timex.h>
#include <time.h>

#include <algorithm>
#include <fstream>

#include "absl/strings/escaping.h"
#include "absl/strings/str_replace.h"

namespace bayward {
namespace {

class SystemClock : public Clock {
 public:
  absl::Time Now() const override { return absl::Now(); }
  absl::Duration Monotonic() const override {
    timespec now{};
    clock_gettime(CLOCK_BOOTTIME, &now);
    return absl::DurationFromTimespec(now);
  }
};

}  // namespace

Clock& Clock::System() {
  static SystemClock clock;
  return clock;
}

absl::Time FakeClock::Now() const {
  absl::MutexLock lock(&mutex_);
  return now_;
}

absl::Duration FakeClock::Monotonic() const {
  absl::MutexLock lock(&mutex_);
  return monotonic_;
}

void FakeClock::Advance(absl::Duration by) {
  absl::MutexLock lock(&mutex_);
  now_ += by;
  monotonic_ += by;
}

void FakeClock::StepWall(absl::Duration by) {
  absl::MutexLock lock(&mutex_);
  now_ += by;
}

void StopFlag::Stop() {
  {
    std::lock_guard<std::mutex> lock(mutex_);
    stopped_ = true;
  }
  changed_.notify_all();
}

bool StopFlag::stopped() const {
  std::lock_guard<std::mutex> lock(mutex_);
  return stopped_;
}

bool StopFlag::WaitFor(absl::Duration timeout) const {
  constexpr absl::Duration kForEver = absl::Hours(24 * 365);
  std::unique_lock<std::mutex> lock(mutex_);
  changed_.wait_for(lock, absl::ToChronoMicroseconds(std::min(timeout, kForEver)), [this] { return stopped_; });
  return stopped_;
}

std::string BootId() {
  std::ifstream file("/proc/sys/kernel/random/boot_id");
  std::string text;
  file >> text;
  const std::string hex = absl::StrReplaceAll(text, {{"-", ""}});
  if (hex.size() != 32) return std::string(16, '\0');
  return absl::HexStringToBytes(hex);
}

bool KernelClockSynced() {
  timex state{};
  const int result = adjtimex(&state);
  return result >= 0 && result != TIME_ERROR && (state.status & STA_UNSYNC) == 0;
}

}  // namespace bayward
