// What holds for every sequence of events, however absurd: checked on many drawn ones, the same each time.
#include <algorithm>
#include <random>
#include <string>

#include "gtest/gtest.h"
#include "server/figures/availability.h"
#include "server/figures/ranking.h"
#include "tests/support/calendars.h"
#include "tests/support/timeline_text.h"

namespace bayward::testing {
namespace {

constexpr int kSequences = 400;
constexpr int kEvents = 60;

class Draw {
 public:
  explicit Draw(int seed) : random_(static_cast<std::mt19937::result_type>(seed)) {}

  int Between(int low, int high) { return std::uniform_int_distribution<int>(low, high)(random_); }
  FaultClassNumber Class() { return Between(kJam, kWorn); }
  Mode AnyMode() { return static_cast<Mode>(Between(1, 3)); }
  ModeReason Reason(Mode mode) {
    return mode == Mode::kClosed ? static_cast<ModeReason>(Between(1, 2)) : ModeReason::kNone;
  }
  Effect EffectOf(FaultClassNumber fault_class) {
    return fault_class == kWorn ? Effect::kDegrading
           : Between(0, 9) == 0 ? Effect::kAdvisory
                                : Effect::kBlocking;
  }
  std::vector<FaultClassNumber> Classes() {
    std::vector<FaultClassNumber> classes;
    for (FaultClassNumber c = kJam; c <= kWorn; ++c) {
      if (Between(0, 3) == 0) classes.push_back(c);
    }
    return classes;
  }

 private:
  std::mt19937 random_;
};

// One more event at minute `at`, as an agent that keeps to its protocol would record it.
void RecordOrderly(Draw& draw, int at, FoldedAgent& agent) {
  if (!agent.state.observed) {
    const Mode mode = draw.AnyMode();
    agent.Started(at).Shows(at, draw.Classes(), mode, draw.Reason(mode));
    return;
  }
  const FaultClassNumber fault_class = draw.Class();
  const Mode mode = draw.AnyMode();
  switch (draw.Between(0, 9)) {
    case 0:
    case 1:
    case 2:
      agent.Raised(at, fault_class, draw.EffectOf(fault_class));
      return;
    case 3:
    case 4:
    case 5:
      agent.Cleared(at, fault_class);
      return;
    case 6:
    case 7:
      agent.ModeIs(at, mode, draw.Reason(mode));
      return;
    case 8:
      agent.Lost(at, at);
      return;
    default:
      agent.Shows(at, draw.Classes(), mode, draw.Reason(mode));
      return;
  }
}

// One more event of any kind at any time.
void RecordAnything(Draw& draw, FoldedAgent& agent) {
  const int at = draw.Between(0, 500);
  const FaultClassNumber fault_class = draw.Class();
  const Mode mode = draw.AnyMode();
  const std::string cycle(1, static_cast<char>('a' + draw.Between(0, 3)));
  if (draw.Between(0, 9) == 0) agent.Restarted(draw.Between(-50, 550));
  switch (draw.Between(0, 11)) {
    case 0:
      agent.Started(at);
      return;
    case 1:
      agent.Lost(at, draw.Between(-50, 550));
      return;
    case 2:
    case 3:
      agent.Raised(at, fault_class, draw.EffectOf(fault_class));
      return;
    case 4:
    case 5:
      agent.Cleared(at, fault_class);
      return;
    case 6:
      agent.ModeIs(at, mode, draw.Reason(mode));
      return;
    case 7:
      agent.Shows(at, draw.Classes(), mode, draw.Reason(mode), {cycle});
      return;
    case 8:
      agent.WashStarted(at, cycle);
      return;
    case 9:
      agent.WashFinished(at, cycle, draw.Between(0, 20));
      return;
    case 10:
      agent.Missing(at, draw.Between(0, 500), draw.Between(0, 500));
      return;
    default:
      draw.Between(0, 1) == 0 ? agent.Rejected(at) : agent.Stepped(draw.Between(0, 500), at);
      return;
  }
}

void ExpectForward(const FoldOutput& out) {
  for (const Spell& spell : out.spells) EXPECT_LE(spell.raised_at, spell.cleared_at);
  for (const ModeSpan& mode : out.modes) EXPECT_LE(mode.from, mode.to);
  for (const ObservedSpan& span : out.observed) EXPECT_LE(span.from, span.to);
  for (const Interval& voided : out.voided) EXPECT_LT(voided.start, voided.end);
  for (const Cycle& cycle : out.cycles) EXPECT_LE(cycle.started_at, cycle.finished_at);
}

template <class Row>
void ExpectDisjoint(const std::vector<Row>& rows) {
  for (std::size_t i = 1; i < rows.size(); ++i) EXPECT_LE(rows[i - 1].to, rows[i].from);
}

// Condition, ranking and account of one machine agree with each other.
void ExpectConsistent(const MachineHistory& history, const Interval& extent) {
  const MachineTimeline timeline(history, AlwaysOpen(), extent, false);
  const TimeAccount account = ComputeAccount(timeline, extent);
  EXPECT_EQ(account.required, extent.length());
  EXPECT_EQ(account.up + account.degraded + account.down + account.withheld + account.unknown(),
            account.required);
  absl::Duration of_outages;
  absl::Time last_end = absl::InfinitePast();
  for (const Outage& outage : timeline.outages) {
    EXPECT_GE(outage.interval.start, last_end);
    EXPECT_GT(outage.down, absl::ZeroDuration());
    EXPECT_GE(outage.interval.start, outage.raised_at);
    last_end = outage.interval.end;
    of_outages += outage.down;
  }
  EXPECT_EQ(of_outages, account.down);
  absl::Duration first_out;
  const MachineTimeline* const machine = &timeline;
  for (const RankingRow& row : RankFaults({&machine, 1}, extent, RankBy::kFirstOut)) {
    first_out += row.first_out;
    EXPECT_LE(row.alone, row.present);
  }
  EXPECT_EQ(first_out, account.down);
}

TEST(TimelineInvariantsTest, AnOrderlyAgentsRowsAreForwardAndDisjoint) {
  for (int seed = 0; seed < kSequences; ++seed) {
    SCOPED_TRACE(seed);
    Draw draw(seed);
    FoldedAgent agent;
    for (int i = 0; i < kEvents; ++i) RecordOrderly(draw, 5 * i + draw.Between(0, 5), agent);
    ExpectForward(agent.out);
    ExpectDisjoint(agent.out.observed);
    ExpectDisjoint(agent.out.modes);
    ExpectConsistent(agent.History(5 * kEvents + 50), Span(0, 5 * kEvents + 100));
  }
}

TEST(TimelineInvariantsTest, TheConditionNowIsTheLastOneComputed) {
  for (int seed = 0; seed < kSequences; ++seed) {
    SCOPED_TRACE(seed);
    Draw draw(seed);
    FoldedAgent agent;
    for (int i = 1; i <= kEvents; ++i) {
      RecordOrderly(draw, 5 * i, agent);
      if (draw.Between(0, 2) == 0) agent.Cleared(5 * i, draw.Class());  // several signals of one poll
      if (draw.Between(0, 2) == 0) agent.Raised(5 * i, draw.Class());
      const auto spans = ComputeConditions(agent.History(5 * i + 2), IntervalSet{Span(5 * i, 5 * i + 2)},
                                           /*count_rehearsal=*/false);
      ASSERT_FALSE(spans.empty());
      ASSERT_EQ(ConditionNow(agent.state, true, true).condition, spans.back().condition)
          << i << ": " << Text(agent.History(kOpen).spells) << " | " << Text(agent.History(kOpen).modes)
          << " | " << Text(agent.History(kOpen).observed) << " | " << Text(spans);
    }
  }
}

TEST(TimelineInvariantsTest, AbsurdEventsLeaveRowsForwardAndFiguresConsistent) {
  for (int seed = 0; seed < kSequences; ++seed) {
    SCOPED_TRACE(seed);
    Draw draw(seed);
    FoldedAgent agent;
    for (int i = 0; i < kEvents; ++i) RecordAnything(draw, agent);
    ExpectForward(agent.out);
    ExpectConsistent(agent.History(520), Span(-100, 600));
    EndAssignment(At(draw.Between(0, 600)), agent.state, agent.out);
    ExpectForward(agent.out);
    EXPECT_TRUE(agent.state.spells.empty());
    EXPECT_FALSE(agent.state.observed);
  }
}

TEST(TimelineInvariantsTest, FoldingAgainGivesTheSame) {
  Draw draw(7);
  FoldedAgent agent;
  for (int i = 0; i < kEvents; ++i) RecordOrderly(draw, 5 * i, agent);
  MachineState state;
  FoldOutput out;
  for (const MachineEvent& event : agent.events) {
    FoldOutput batch;  // one of its own for each event
    Fold(event, At(0), state, batch);
    out.spells.insert(out.spells.end(), batch.spells.begin(), batch.spells.end());
    out.modes.insert(out.modes.end(), batch.modes.begin(), batch.modes.end());
    out.observed.insert(out.observed.end(), batch.observed.begin(), batch.observed.end());
  }
  EXPECT_EQ(Text(out.spells), Text(agent.out.spells));
  EXPECT_EQ(Text(out.modes), Text(agent.out.modes));
  EXPECT_EQ(Text(out.observed), Text(agent.out.observed));
  EXPECT_EQ(Text(state.spells), Text(agent.state.spells));
}

// Nothing is quadratic in the spells of a machine that chatters, or in those of one outage.
TEST(TimelineInvariantsTest, TwentyThousandSpellsAreOneSweep) {
  constexpr int kSpells = 20'000;
  HistoryBuilder builder = HistoryBuilder().Observed(0, kOpen).ObservedUntil(6 * kSpells);
  builder.Fault(kLeak, 0, 2 * kSpells - 1);  // one that overlaps two fifths of the others
  for (int i = 0; i < kSpells; ++i) builder.Fault(kJam, 5 * i, 5 * i + 3).Wash(5 * i + 3, 5 * i + 4);
  const Interval extent = Span(0, 5 * kSpells);
  const MachineTimeline timeline(builder.Build(), AlwaysOpen(), extent, false);
  EXPECT_EQ(timeline.outages.size(), 1u + kSpells - 2 * kSpells / 5);
  const TimeAccount account = ComputeAccount(timeline, extent);
  EXPECT_EQ(account.down, absl::Minutes(2 * kSpells - 1 + 3 * (kSpells - 2 * kSpells / 5)));
  const MachineTimeline* const machine = &timeline;
  const auto rows = RankFaults({&machine, 1}, extent, RankBy::kFirstOut);
  ASSERT_EQ(rows.size(), 2u);
  EXPECT_EQ(rows[0].first_out + rows[1].first_out, account.down);
}

}  // namespace
}  // namespace bayward::testing
