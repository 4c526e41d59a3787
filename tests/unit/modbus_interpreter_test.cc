#include "agent/sources/modbus_interpreter.h"

#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

constexpr char kBook[] = R"(
name = "b"
version = "1"
source = "modbus"
[[signal]]
name = "running"
table = "coil"
address = 0
[[signal]]
name = "aborted"
table = "coil"
address = 1
[[signal]]
name = "programme"
table = "input_register"
address = 0
[[signal]]
name = "closed"
table = "coil"
address = 2
[[signal]]
name = "key"
table = "coil"
address = 3
[[signal]]
name = "code"
table = "holding_register"
address = 0
holds = "code"
[[fault]]
class = "drive.travel_timeout"
signal = "code"
equals = 7
raw_text = "slow"
[cycle]
running = "running"
ABORTED
programme = "programme"
longest = "10m"
[cycle.programmes]
2 = "brush"
[mode]
occupied = "key"
[[mode.closed]]
signal = "closed"
reason = "quiet_hours"
)";

enum Signal { kRunning, kAborted, kProgramme, kClosed, kKey, kCode, kSignals };

class ModbusInterpreterTest : public ::testing::Test {
 protected:
  explicit ModbusInterpreterTest(bool with_abort_signal = true)
      : interpreter_("bay-1", Book(with_abort_signal)), values_(kSignals, 0) {}

  static std::shared_ptr<const CodeBook> Book(bool with_abort_signal) {
    std::string text = kBook;
    const std::string key = "ABORTED";
    text.replace(text.find(key), key.size(), with_abort_signal ? "aborted = \"aborted\"" : "");
    std::vector<std::string> faults;
    auto book = ParseCodeBook(text, "book.toml", faults);
    EXPECT_THAT(faults, IsEmpty());
    return book;
  }

  static Instant At(double second) {
    return {absl::FromUnixSeconds(1'800'000'000) + absl::Seconds(second),
            absl::Seconds(5000) + absl::Seconds(second)};
  }
  static std::int64_t Us(double second) { return absl::ToUnixMicros(At(second).wall); }

  void Resume(double second) {
    interpreter_.Resume(values_, At(second));
    EXPECT_THAT(interpreter_.watch().Advance(At(second)), IsEmpty());
  }
  std::vector<v1::Event> Take(double second) {
    interpreter_.Take(values_, At(second));
    return interpreter_.watch().Advance(At(second));
  }

  ModbusInterpreter interpreter_;
  std::vector<std::uint32_t> values_;
};

TEST_F(ModbusInterpreterTest, FaultCodeRaisesAndClears) {
  Resume(0);
  values_[kCode] = 7;
  auto events = Take(1);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].machine(), "bay-1");
  EXPECT_EQ(events[0].effective_at_us(), Us(1));
  EXPECT_EQ(events[0].fault_raised().fault_class(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  EXPECT_EQ(events[0].fault_raised().raw_code(), "7");
  EXPECT_EQ(events[0].fault_raised().raw_text(), "slow");
  values_[kCode] = 0;
  events = Take(2);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].fault_cleared().fault_class(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
}

TEST_F(ModbusInterpreterTest, UnmappedCodeIsUnclassifiedWithItsCode) {
  Resume(0);
  values_[kCode] = 55;
  const auto events = Take(1);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].fault_raised().fault_class(), v1::FAULT_CLASS_UNCLASSIFIED_FAULT);
  EXPECT_EQ(events[0].fault_raised().raw_code(), "55");
}

TEST_F(ModbusInterpreterTest, CycleHasProgrammeDurationAndOutcome) {
  Resume(0);
  values_[kProgramme] = 2;
  values_[kRunning] = 1;
  auto events = Take(10);
  ASSERT_EQ(events.size(), 1u);
  const std::string id = events[0].cycle_started().cycle();
  EXPECT_FALSE(id.empty());
  EXPECT_EQ(events[0].cycle_started().programme(), "brush");
  EXPECT_THAT(interpreter_.watch().Snapshot().open_cycles(), ElementsAre(id));
  values_[kRunning] = 0;
  events = Take(310);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().cycle(), id);
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_COMPLETED);
  EXPECT_EQ(events[0].cycle_finished().duration_us(), 300'000'000);

  values_[kRunning] = 1;
  values_[kProgramme] = 9;
  events = Take(400);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_NE(events[0].cycle_started().cycle(), id);
  EXPECT_EQ(events[0].cycle_started().programme(), "9");
}

TEST_F(ModbusInterpreterTest, AbortSignalSeenAnywhereInTheCycleAborts) {
  Resume(0);
  values_[kRunning] = 1;
  Take(10);
  values_[kAborted] = 1;
  values_[kCode] = 7;
  Take(20);
  values_[kAborted] = 0;
  Take(21);
  values_[kRunning] = 0;
  const auto events = Take(22);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABORTED);
  EXPECT_EQ(events[0].cycle_finished().abort_cause(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
}

TEST_F(ModbusInterpreterTest, AbortSignalLeftFromTheCycleBeforeDoesNotAbortTheNext) {
  Resume(0);
  values_[kAborted] = 1;
  Take(5);
  values_[kRunning] = 1;
  Take(10);  // the controller takes the signal back with the start
  values_[kAborted] = 0;
  Take(11);
  values_[kRunning] = 0;
  const auto events = Take(20);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_COMPLETED);
}

class WithoutAbortSignal : public ModbusInterpreterTest {
 protected:
  WithoutAbortSignal() : ModbusInterpreterTest(false) {}
};

TEST_F(WithoutAbortSignal, CycleThatEndsUnderABlockingFaultWasAborted) {
  Resume(0);
  values_[kRunning] = 1;
  Take(10);
  values_[kRunning] = 0;
  values_[kCode] = 7;
  const auto events = Take(20);
  ASSERT_EQ(events.size(), 2u);
  EXPECT_TRUE(events[0].has_fault_raised());
  EXPECT_EQ(events[1].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABORTED);
  EXPECT_EQ(events[1].cycle_finished().abort_cause(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
}

TEST_F(ModbusInterpreterTest, CycleWithoutAnEndIsAbandonedOnce) {
  Resume(0);
  values_[kRunning] = 1;
  Take(10);
  EXPECT_THAT(Take(610), IsEmpty());
  const auto events = Take(611);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABANDONED);
  values_[kRunning] = 0;
  EXPECT_THAT(Take(700), IsEmpty());
}

TEST_F(ModbusInterpreterTest, CycleFoundUnderWayHasNoStartAndNoDuration) {
  values_[kRunning] = 1;
  values_[kProgramme] = 2;
  Resume(0);
  ASSERT_EQ(interpreter_.watch().Snapshot().open_cycles_size(), 1);
  values_[kRunning] = 0;
  const auto events = Take(100);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().duration_us(), 0);
  EXPECT_EQ(events[0].cycle_finished().programme(), "brush");
}

TEST_F(ModbusInterpreterTest, CycleWhoseEndFellIntoALossIsAbandoned) {
  Resume(0);
  values_[kRunning] = 1;
  Take(10);
  values_[kRunning] = 0;
  interpreter_.Resume(values_, At(200));
  EXPECT_EQ(interpreter_.watch().Snapshot().open_cycles_size(), 0);
  const auto events = interpreter_.watch().Advance(At(200));
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABANDONED);
}

TEST_F(ModbusInterpreterTest, TechnicianGoesBeforeClosed) {
  Resume(0);
  values_[kClosed] = 1;
  auto events = Take(1);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].mode_changed().mode(), v1::MODE_CLOSED);
  EXPECT_EQ(events[0].mode_changed().reason(), v1::MODE_REASON_QUIET_HOURS);
  values_[kKey] = 1;
  events = Take(2);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].mode_changed().mode(), v1::MODE_OCCUPIED);
  values_[kKey] = 0;
  values_[kClosed] = 0;
  events = Take(3);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].mode_changed().mode(), v1::MODE_IN_SERVICE);
}

TEST_F(ModbusInterpreterTest, AtOneInstantTheFaultGoesBeforeTheCycleAndThatBeforeTheMode) {
  Resume(0);
  values_[kRunning] = 1;
  Take(1);
  values_[kClosed] = 1;
  values_[kCode] = 7;
  values_[kRunning] = 0;
  const auto events = Take(2);
  ASSERT_EQ(events.size(), 3u);
  EXPECT_TRUE(events[0].has_fault_raised());
  EXPECT_TRUE(events[1].has_cycle_finished());
  EXPECT_TRUE(events[2].has_mode_changed());
}

TEST_F(ModbusInterpreterTest, SnapshotSaysAllThatHolds) {
  values_[kCode] = 7;
  values_[kClosed] = 1;
  Resume(0);
  const v1::Snapshot snapshot = interpreter_.watch().Snapshot();
  ASSERT_EQ(snapshot.faults_size(), 1);
  EXPECT_EQ(snapshot.faults(0).fault_class(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  EXPECT_EQ(snapshot.faults(0).raw_code(), "7");
  EXPECT_EQ(snapshot.mode(), v1::MODE_CLOSED);
  EXPECT_EQ(snapshot.reason(), v1::MODE_REASON_QUIET_HOURS);
}

TEST_F(ModbusInterpreterTest, AStepOfTheWallClockMovesNoEdge) {
  Resume(0);
  values_[kRunning] = 1;
  Take(10);
  values_[kRunning] = 0;
  Instant stepped = At(110);
  stepped.wall -= absl::Hours(2);
  interpreter_.Take(values_, stepped);
  const auto events = interpreter_.watch().Advance(stepped);
  ASSERT_EQ(events.size(), 1u);
  EXPECT_EQ(events[0].cycle_finished().duration_us(), 100'000'000);
  EXPECT_EQ(events[0].effective_at_us(), absl::ToUnixMicros(stepped.wall));
}

}  // namespace
}  // namespace bayward
