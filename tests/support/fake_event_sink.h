// An EventSink that remembers what it was given, for tests of sources. Thread-safe.
#pragma once

#include <deque>
#include <functional>
#include <map>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "absl/synchronization/mutex.h"
#include "agent/recorder/event_sink.h"

namespace bayward {

class FakeEventSink : public EventSink {
 public:
  // One call, in the order they came.
  struct Entry {
    std::string machine;
    std::string kind;  // "good", "lost", "fault_raised", "cycle_finished", …
    v1::Event event;
    v1::Snapshot snapshot;
    absl::Time from;
    v1::LossReason reason = v1::LOSS_REASON_UNSPECIFIED;
    std::string detail;
  };

  absl::Status Record(v1::Event event) override {
    absl::MutexLock lock(&mutex_);
    if (!refusals_.empty()) return Refuse();
    Keep(event);
    return absl::OkStatus();
  }
  absl::Status RecordAll(const std::vector<v1::Event>& events, std::string_view source,
                         std::string_view mark) override {
    absl::MutexLock lock(&mutex_);
    if (!refusals_.empty()) return Refuse();
    if (transactions_until_crash_ == 0) return absl::UnavailableError("crashed");
    --transactions_until_crash_;
    for (const v1::Event& event : events) Keep(event);
    chunks_.push_back(events.size());
    marks_[std::string(source)] = std::string(mark);
    return absl::OkStatus();
  }
  absl::StatusOr<std::string> LastMark(std::string_view source) override {
    absl::MutexLock lock(&mutex_);
    return marks_[std::string(source)];
  }
  void SourceGood(std::string_view machine, const v1::Snapshot& now) override {
    absl::MutexLock lock(&mutex_);
    Entry entry;
    entry.machine = std::string(machine);
    entry.kind = "good";
    entry.snapshot = now;
    entries_.push_back(std::move(entry));
  }
  void SourceLost(std::string_view machine, absl::Time from, v1::LossReason reason,
                  std::string_view detail) override {
    absl::MutexLock lock(&mutex_);
    Entry entry;
    entry.machine = std::string(machine);
    entry.kind = "lost";
    entry.from = from;
    entry.reason = reason;
    entry.detail = std::string(detail);
    entries_.push_back(std::move(entry));
  }
  void Alive(absl::Time until) override {
    absl::MutexLock lock(&mutex_);
    alive_until_ = until;
    ++alive_calls_;
  }

  std::vector<Entry> entries() const {
    absl::MutexLock lock(&mutex_);
    return entries_;
  }
  std::vector<v1::Event> events() const {
    std::vector<v1::Event> events;
    for (const Entry& entry : entries()) {
      if (entry.kind != "good" && entry.kind != "lost") events.push_back(entry.event);
    }
    return events;
  }
  // "bay-1 fault_raised" …, in order.
  std::vector<std::string> Told() const {
    std::vector<std::string> told;
    for (const Entry& entry : entries()) told.push_back(entry.machine + " " + entry.kind);
    return told;
  }
  std::vector<std::size_t> chunks() const {
    absl::MutexLock lock(&mutex_);
    return chunks_;
  }
  std::string mark(const std::string& source) const {
    absl::MutexLock lock(&mutex_);
    const auto found = marks_.find(source);
    return found != marks_.end() ? found->second : "";
  }
  absl::Time alive_until() const {
    absl::MutexLock lock(&mutex_);
    return alive_until_;
  }
  std::size_t alive_calls() const {
    absl::MutexLock lock(&mutex_);
    return alive_calls_;
  }

  // The next `count` records are refused.
  void RefuseNext(std::size_t count) {
    absl::MutexLock lock(&mutex_);
    refusals_.assign(count, 0);
  }
  // Takes `count` more transactions, then none until called again.
  void CrashAfter(std::size_t count) {
    absl::MutexLock lock(&mutex_);
    transactions_until_crash_ = count;
  }

  // Waits until `holds` is true of what has come so far; false if it is not within `timeout`.
  bool WaitUntil(const std::function<bool(const std::vector<Entry>&)>& holds,
                 absl::Duration timeout = absl::Seconds(20)) const {
    const auto condition = [this, &holds]() ABSL_NO_THREAD_SAFETY_ANALYSIS { return holds(entries_); };
    absl::MutexLock lock(&mutex_);
    return mutex_.AwaitWithTimeout(absl::Condition(&condition), timeout);
  }
  bool WaitForEntries(std::size_t count) const {
    return WaitUntil([count](const std::vector<Entry>& entries) { return entries.size() >= count; });
  }
  bool WaitForAliveCalls(std::size_t count) const {
    const auto condition = [this, count]() ABSL_NO_THREAD_SAFETY_ANALYSIS { return alive_calls_ >= count; };
    absl::MutexLock lock(&mutex_);
    return mutex_.AwaitWithTimeout(absl::Condition(&condition), absl::Seconds(20));
  }

 private:
  absl::Status Refuse() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
    refusals_.pop_back();
    return absl::ResourceExhaustedError("refused by the test");
  }
  void Keep(const v1::Event& event) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
    Entry entry;
    entry.machine = event.machine();
    const auto* oneof = v1::Event::descriptor()->FindOneofByName("what");
    const auto* field = v1::Event::GetReflection()->GetOneofFieldDescriptor(event, oneof);
    entry.kind = field != nullptr ? field->name() : "nothing";
    entry.event = event;
    entries_.push_back(std::move(entry));
  }

  mutable absl::Mutex mutex_;
  std::vector<Entry> entries_ ABSL_GUARDED_BY(mutex_);
  std::vector<std::size_t> chunks_ ABSL_GUARDED_BY(mutex_);
  std::map<std::string, std::string> marks_ ABSL_GUARDED_BY(mutex_);
  std::deque<int> refusals_ ABSL_GUARDED_BY(mutex_);
  std::size_t transactions_until_crash_ ABSL_GUARDED_BY(mutex_) = 1'000'000'000;
  absl::Time alive_until_ ABSL_GUARDED_BY(mutex_);
  std::size_t alive_calls_ ABSL_GUARDED_BY(mutex_) = 0;
};

}  // namespace bayward
