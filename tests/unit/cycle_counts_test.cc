// Numbers of cycles from runs: what an instant inside a run leaves open, and what is left when old cycles are dropped.
#include "server/figures/cycle_counts.h"

#include "gtest/gtest.h"
#include "server/live/brief_timeline.h"
#include "server/store/cycle_runs.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

Cycle Wash(int from, int to, CycleOutcome outcome = CycleOutcome::kCompleted) {
  Cycle cycle;
  cycle.started_at = from == kNever ? absl::InfinitePast() : At(from);
  cycle.finished_at = At(to);
  cycle.outcome = outcome;
  return cycle;
}

TEST(CycleRunsTest, AlikeCyclesOfAnHourAreOneRun) {
  std::vector<CycleRun> runs;
  AddCycle(Wash(0, 5), true, runs);
  AddCycle(Wash(10, 16), true, runs);
  AddCycle(Wash(20, 24, CycleOutcome::kAborted), true, runs);
  AddCycle(Wash(20, 24, CycleOutcome::kAborted), true, runs);
  AddCycle(Wash(30, 35), true, runs);
  AddCycle(Wash(40, 45), false, runs);    // something else happened between
  AddCycle(Wash(kNever, 50), true, runs);  // its start is not known
  AddCycle(Wash(55, 61), true, runs);     // the next hour
  ASSERT_EQ(runs.size(), 7u);
  EXPECT_EQ(runs[0].count, 2u);
  EXPECT_EQ(runs[0].finished(), (Interval{At(5), At(16) + absl::Seconds(1)}));
  EXPECT_EQ(runs[1].finished(), (Interval{At(24), At(24) + absl::Microseconds(1)}));
  EXPECT_EQ(runs[0].shortest_minutes, 5u);
  EXPECT_EQ(runs[0].longest_minutes, 7u);
}

TEST(CycleRunsTest, BytesThatAreNoRunsAreRefused) {
  std::vector<CycleRun> runs;
  AddCycle(Wash(0, 5), true, runs);
  const std::string bytes = EncodeRuns(runs);
  std::vector<CycleRun> read;
  EXPECT_TRUE(DecodeRuns(bytes, read).ok());
  EXPECT_EQ(read, runs);
  EXPECT_FALSE(DecodeRuns("", read).ok());
  EXPECT_FALSE(DecodeRuns("\x07", read).ok());
  EXPECT_FALSE(DecodeRuns(bytes.substr(0, bytes.size() - 1), read).ok());
}

CyclePart Part(int from, int to, std::uint32_t count) {
  CyclePart part;
  part.finished = {At(from), At(to)};
  part.count = count;
  return part;
}

TEST(CycleCountsTest, AnInstantInsideARunIsDecidedByItsCycles) {
  CycleCounts counts({Part(0, 50, 3), Part(60, 60, 1)});
  EXPECT_TRUE(counts.Straddling(At(0)).empty());
  EXPECT_TRUE(counts.Straddling(At(51)).empty());
  ASSERT_EQ(counts.Straddling(At(30)).size(), 1u);
  const std::vector<Cycle> cycles = {Wash(kNever, 0), Wash(kNever, 20), Wash(kNever, 50)};
  counts.Decide(At(30), cycles);
  EXPECT_TRUE(counts.Straddling(At(30)).empty());
  EXPECT_EQ(counts.Within({At(-10), At(30)}).completed, 2);
  EXPECT_EQ(counts.Within({At(30), At(61)}).completed, 2);
}

TEST(CycleCountsTest, ARunWhoseCyclesAreDroppedLiesWhereItBegan) {
  CycleCounts counts({Part(0, 50, 3)});
  counts.Decide(At(30), std::vector<Cycle>{});
  EXPECT_EQ(counts.Within({At(0), At(30)}).completed, 3);
  EXPECT_EQ(counts.Within({At(30), At(60)}).completed, 0);
}

// A fault in the middle of a run, of which the cycles are no more.
TEST(CycleCountsTest, DroppedCyclesStillShowThatTheMachineWashed) {
  BriefHistory brief;
  brief.history = HistoryBuilder().Observed(0, kOpen).ObservedUntil(1000).Fault(kJam, 10, 20).Fault(kJam, 70, 80).Build();
  AssignedRuns& runs = brief.runs.emplace_back();
  runs.assigned = {absl::InfinitePast(), absl::InfiniteFuture()};
  AddCycle(Wash(2, 5), true, runs.runs);
  AddCycle(Wash(40, 45), true, runs.runs);
  BriefTimelineMaker maker(std::move(brief), false);
  ASSERT_EQ(maker.needed().size(), 1u);
  const std::vector<std::vector<StoredCycle>> dropped(1);
  const BriefTimeline made = maker.Make(dropped, AlwaysOpen(), {At(-1440), At(1000)});
  EXPECT_EQ(made.cycles->Within({At(0), At(1000)}).completed, 2);
  EXPECT_EQ(made.timeline->outages.size(), 2u);
}

}  // namespace
}  // namespace bayward::testing
