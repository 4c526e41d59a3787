// Builds histories and prints timelines in minutes after a fixed instant, so that a test reads like a sketch
// on paper. For one thread.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "server/model/history.h"
#include "server/model/machine_event.h"
#include "server/timeline/condition.h"
#include "server/timeline/fold.h"
#include "server/timeline/outage.h"

namespace bayward::testing {

// Minutes after 2026-06-01T00:00:00Z.
absl::Time At(int minute);
Interval Span(int from, int to);
inline constexpr int kOpen = 1'000'000'000;  // as an end: still open
inline constexpr int kNever = -kOpen;

// Fault classes by letter: only their numbers matter here.
inline constexpr FaultClassNumber kJam = 1, kLeak = 2, kArm = 3, kMains = 4, kStop = 5, kWorn = 6;

// "jam 10-20 cleared" and the like, joined by "; ".
std::string Text(const std::vector<Spell>& spells);
// "closed/frost 10-20".
std::string Text(const std::vector<ModeSpan>& modes);
// "0-30".
std::string Text(const std::vector<ObservedSpan>& spans);
std::string Text(const std::vector<Interval>& intervals);
// "w1 10-14 completed"; an unknown start is "?".
std::string Text(const std::vector<Cycle>& cycles);
// "0-10 up; 10-20 down user inferred; 20-30 withheld frost external; 30-40 unknown lost; 40-50 up settled".
std::string Text(const std::vector<ConditionSpan>& spans);
// "10-40 jam +leak", then its marks: unobserved, censored, opening, unordered, same (begins no failure), repeat.
std::string Text(const std::vector<Outage>& outages);

// A history written down directly.
class HistoryBuilder {
 public:
  HistoryBuilder();

  HistoryBuilder& Observed(int from, int to);
  HistoryBuilder& ObservedUntil(int minute);
  HistoryBuilder& NoDelivery();
  // An internal blocking fault unless the class says otherwise: kMains is external, kStop people's, kArm the
  // user's, kWorn degrading.
  HistoryBuilder& Fault(FaultClassNumber fault_class, int raised, int cleared,
                        SpellEnd end = SpellEnd::kCleared);
  // The same, first seen in the snapshot of that minute.
  HistoryBuilder& Found(FaultClassNumber fault_class, int raised, int cleared,
                        SpellEnd end = SpellEnd::kCleared);
  HistoryBuilder& Priority(std::uint32_t priority);  // of the fault added last
  HistoryBuilder& Rehearsed();  // the fault added last
  HistoryBuilder& Closed(int from, int to, ModeReason reason = ModeReason::kFrost);
  HistoryBuilder& Occupied(int from, int to);
  HistoryBuilder& Voided(int from, int to);
  HistoryBuilder& Wash(int from, int to, CycleOutcome outcome = CycleOutcome::kCompleted);
  HistoryBuilder& Settled(int from, int to, Condition as, int recorded_at);

  // Sorted as MachineHistory promises.
  MachineHistory Build() const;

 private:
  MachineHistory history_;
  std::uint64_t sequence_ = 0;
};

// An agent that records events about one machine, which are folded as they come.
class FoldedAgent {
 public:
  explicit FoldedAgent(std::int32_t epoch = 1) : epoch_(epoch) {}

  FoldedAgent& Started(int at);
  FoldedAgent& Lost(int at, int from);
  FoldedAgent& Raised(int at, FaultClassNumber fault_class, Effect effect = Effect::kBlocking);
  FoldedAgent& Cleared(int at, FaultClassNumber fault_class, std::uint32_t further_raises = 0);
  FoldedAgent& Shows(int at, const std::vector<FaultClassNumber>& faults, Mode mode = Mode::kInService,
                     ModeReason reason = ModeReason::kNone, const std::vector<std::string>& open_cycles = {});
  FoldedAgent& ModeIs(int at, Mode mode, ModeReason reason = ModeReason::kNone);
  FoldedAgent& WashStarted(int at, const std::string& cycle, const std::string& programme = "basic");
  FoldedAgent& WashFinished(int at, const std::string& cycle, int minutes = 0);
  FoldedAgent& Stepped(int from, int to);
  FoldedAgent& Missing(int at, int from, int to);
  FoldedAgent& Rejected(int at);
  FoldedAgent& Restarted(int observed_until);  // the next event is of a new epoch
  FoldedAgent& Rehearsing(bool rehearsal);  // the next events

  void Apply(MachineEvent event);
  MachineHistory History(int observed_until) const;

  MachineState state;
  FoldOutput out;
  std::vector<MachineEvent> events;  // all of them, to fold again

 private:
  template <class Fact>
  FoldedAgent& Record(int at, Fact fact);

  std::int32_t epoch_;
  std::uint64_t sequence_ = 0;
  int observed_until_ = kNever;
  bool rehearsal_ = false;
};

FaultFact Fault(FaultClassNumber fault_class, Effect effect);

}  // namespace bayward::testing
