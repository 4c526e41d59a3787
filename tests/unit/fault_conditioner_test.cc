#include "agent/conditioner/fault_conditioner.h"

#include <string>
#include <vector>

#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

absl::Duration At(double second) { return absl::Seconds(1000) + absl::Seconds(second); }

FaultMapping Mapping(v1::FaultClass fault_class) {
  FaultMapping mapping;
  mapping.fault_class = fault_class;
  return mapping;
}
FaultMapping Timeout() { return Mapping(v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT); }
FaultMapping Safety() { return Mapping(v1::FAULT_CLASS_SAFETY_CIRCUIT_GUARD_OPEN); }
FaultMapping Empty() { return Mapping(v1::FAULT_CLASS_DOSING_EMPTY); }

// "+0@3" raised by signal 0 at second 3; "-0@5 x2" cleared with two further raises.
std::vector<std::string> Text(const std::vector<FaultChange>& changes) {
  std::vector<std::string> text;
  for (const FaultChange& change : changes) {
    std::string entry = fmt::format("{}{}@{:g}", change.raised ? '+' : '-', change.mapping,
                                    absl::ToDoubleSeconds(change.at - At(0)));
    if (change.further_raises > 0) entry += fmt::format(" x{}", change.further_raises);
    if (!change.raw_code.empty()) entry += " " + change.raw_code;
    text.push_back(entry);
  }
  return text;
}

class Machine {
 public:
  explicit Machine(std::vector<FaultMapping> mappings) : conditioner_(std::move(mappings)) {}

  void Up(std::size_t signal, double second, const std::string& code = "") {
    conditioner_.Set(signal, {true, code, ""}, At(second));
  }
  void Down(std::size_t signal, double second) { conditioner_.Set(signal, {}, At(second)); }
  std::vector<std::string> By(double second) { return Text(conditioner_.Advance(At(second))); }
  FaultConditioner& conditioner() { return conditioner_; }

 private:
  FaultConditioner conditioner_;
};

TEST(FaultConditionerTest, WithoutDelaysEdgesComeThroughAtOnce) {
  Machine machine({Timeout()});
  machine.Up(0, 1);
  EXPECT_THAT(machine.By(1), ElementsAre("+0@1"));
  machine.Up(0, 2);
  EXPECT_THAT(machine.By(2), IsEmpty());
  machine.Down(0, 3);
  EXPECT_THAT(machine.By(3), ElementsAre("-0@3"));
}

TEST(FaultConditionerTest, OnDelayDecidesWhetherNotWhen) {
  FaultMapping mapping = Timeout();
  mapping.on_delay = absl::Seconds(5);
  Machine machine({mapping});
  machine.Up(0, 1);
  EXPECT_THAT(machine.By(5.9), IsEmpty());
  EXPECT_THAT(machine.By(6), ElementsAre("+0@1"));
  machine.Down(0, 8);
  EXPECT_THAT(machine.By(8), ElementsAre("-0@8"));
  machine.Up(0, 10);
  machine.Down(0, 14.9);
  EXPECT_THAT(machine.By(100), IsEmpty());
}

TEST(FaultConditionerTest, OnDelayServedBetweenTwoReadingsCounts) {
  FaultMapping mapping = Timeout();
  mapping.on_delay = absl::Seconds(5);
  Machine machine({mapping});
  machine.Up(0, 1);
  machine.Down(0, 7);
  EXPECT_THAT(machine.By(7), ElementsAre("+0@1", "-0@7"));
}

TEST(FaultConditionerTest, OffDelayBridgesAShortGap) {
  FaultMapping mapping = Timeout();
  mapping.off_delay = absl::Seconds(10);
  Machine machine({mapping});
  machine.Up(0, 0);
  machine.Down(0, 20);
  EXPECT_THAT(machine.By(25), ElementsAre("+0@0"));
  machine.Up(0, 29);
  machine.Down(0, 31);
  EXPECT_THAT(machine.By(40.9), IsEmpty());
  EXPECT_THAT(machine.By(41), ElementsAre("-0@31 x1"));
}

TEST(FaultConditionerTest, ThirdRiseWithinAMinuteIsChattering) {
  Machine machine({Timeout()});
  for (int second : {0, 20, 60}) {
    machine.Up(0, second);
    machine.Down(0, second + 2);
  }
  EXPECT_THAT(machine.By(62), ElementsAre("+0@0", "-0@2", "+0@20", "-0@22", "+0@60"));
  machine.Up(0, 100);
  machine.Down(0, 101);
  machine.Up(0, 150);
  machine.Down(0, 155);
  EXPECT_THAT(machine.By(214.9), IsEmpty());
  EXPECT_THAT(machine.By(215), ElementsAre("-0@155 x2"));
}

TEST(FaultConditionerTest, ThreeRisesInMoreThanAMinuteAreThreeSpells) {
  Machine machine({Timeout()});
  for (double second : {0.0, 20.0, 60.1}) {
    machine.Up(0, second);
    machine.Down(0, second + 2);
  }
  EXPECT_THAT(machine.By(63), ElementsAre("+0@0", "-0@2", "+0@20", "-0@22", "+0@60.1", "-0@62.1"));
}

TEST(FaultConditionerTest, ChatterThatStaysUpForAMinuteEndsWithItsFall) {
  Machine machine({Timeout()});
  for (int second : {0, 10}) {
    machine.Up(0, second);
    machine.Down(0, second + 1);
  }
  machine.Up(0, 20);
  machine.By(20);
  machine.Down(0, 90);
  EXPECT_THAT(machine.By(90), ElementsAre("-0@90"));
}

TEST(FaultConditionerTest, AQuietMinuteEndsTheSpellEvenIfNobodyLookedMeanwhile) {
  Machine machine({Timeout()});
  for (int second : {0, 10, 20}) {
    machine.Up(0, second);
    machine.Down(0, second + 1);
  }
  machine.By(21);
  machine.Up(0, 200);
  EXPECT_THAT(machine.By(200), ElementsAre("-0@21", "+0@200"));
}

TEST(FaultConditionerTest, SafetyClassesAreNeverFolded) {
  Machine machine({Safety()});
  std::vector<std::string> all;
  for (int second = 0; second < 10; second += 2) {
    machine.Up(0, second);
    machine.Down(0, second + 1);
  }
  EXPECT_THAT(machine.By(10),
              ElementsAre("+0@0", "-0@1", "+0@2", "-0@3", "+0@4", "-0@5", "+0@6", "-0@7", "+0@8", "-0@9"));
}

TEST(FaultConditionerTest, OneInstantIsOrderedByPriorityThenByTheBook) {
  FaultMapping second = Timeout();
  second.priority = 2;
  FaultMapping first = Safety();
  first.priority = 1;
  Machine machine({Empty(), second, first, Mapping(v1::FAULT_CLASS_DOSING_LEVEL_LOW)});
  for (std::size_t signal : {0u, 1u, 2u, 3u}) machine.Up(signal, 1);
  EXPECT_THAT(machine.By(1), ElementsAre("+2@1", "+1@1", "+0@1", "+3@1"));
}

TEST(FaultConditionerTest, AtOneInstantRaisesGoBeforeClears) {
  FaultMapping first = Timeout();
  first.priority = 1;
  Machine machine({first, Empty()});
  machine.Up(0, 1);
  machine.By(1);
  machine.Down(0, 2);
  machine.Up(1, 2);
  EXPECT_THAT(machine.By(2), ElementsAre("+1@2", "-0@2"));
}

TEST(FaultConditionerTest, TwoSignalsOfAClassAreOneSpell) {
  Machine machine({Timeout(), Timeout()});
  machine.Up(0, 1);
  machine.Up(1, 2);
  machine.Down(0, 3);
  EXPECT_THAT(machine.By(3), ElementsAre("+0@1"));
  machine.Down(1, 4);
  EXPECT_EQ(machine.By(4).size(), 1u);
  EXPECT_THAT(machine.conditioner().Active(), IsEmpty());
}

TEST(FaultConditionerTest, AGraverSignalOfTheClassBeginsAnotherSpell) {
  FaultMapping mild = Timeout();
  mild.effect = v1::EFFECT_DEGRADING;
  Machine machine({mild, Timeout()});
  machine.Up(0, 1);
  machine.Up(1, 2);
  EXPECT_THAT(machine.By(2), ElementsAre("+0@1", "+1@2"));
  machine.Down(1, 5);
  EXPECT_THAT(machine.By(5), ElementsAre("+0@5"));
  machine.Down(0, 6);
  EXPECT_THAT(machine.By(6), ElementsAre("-0@6"));
}

TEST(FaultConditionerTest, SpellEndsWithTheLastFallWhateverTheDelays) {
  FaultMapping slow = Timeout();
  slow.off_delay = absl::Seconds(10);
  Machine machine({slow, Timeout()});
  machine.Up(0, 0);
  machine.Up(1, 1);
  machine.Down(0, 5);
  machine.Down(1, 8);
  EXPECT_THAT(machine.By(14), ElementsAre("+0@0"));
  EXPECT_THAT(machine.By(15), ElementsAre("-0@8"));
}

TEST(FaultConditionerTest, SpellsOfAClassNeverOverlap) {
  FaultMapping slow = Timeout();
  slow.on_delay = absl::Seconds(10);
  Machine machine({Timeout(), slow});
  machine.Up(0, 0);
  machine.Up(1, 3);
  machine.Down(0, 5);
  EXPECT_THAT(machine.By(12), ElementsAre("+0@0", "-0@5"));
  EXPECT_THAT(machine.By(13), ElementsAre("+1@5"));
}

TEST(FaultConditionerTest, AnotherCodeIsRaisedAgain) {
  Machine machine({Mapping(v1::FAULT_CLASS_UNCLASSIFIED_FAULT)});
  machine.Up(0, 1, "77");
  machine.Up(0, 2, "78");
  machine.Up(0, 3, "78");
  machine.Down(0, 4);
  EXPECT_THAT(machine.By(4), ElementsAre("+0@1 77", "+0@2 78", "-0@4"));
}

TEST(FaultConditionerTest, ResumeTakesWhatIsFoundWithoutEdges) {
  FaultMapping delayed = Empty();
  delayed.on_delay = absl::Seconds(5);
  Machine machine({Timeout(), Safety(), delayed});
  machine.Up(0, 1);
  machine.By(1);
  machine.conditioner().Resume({{false, "", ""}, {true, "", ""}, {true, "", ""}}, At(100));
  EXPECT_THAT(machine.By(100), IsEmpty());
  ASSERT_EQ(machine.conditioner().Active().size(), 1u);
  EXPECT_EQ(machine.conditioner().Active()[0].mapping, 1u);
  EXPECT_THAT(machine.By(105), ElementsAre("+2@100"));
  machine.Down(1, 110);
  EXPECT_THAT(machine.By(110), ElementsAre("-1@110"));
}

TEST(FaultConditionerTest, ResumeKeepsAFaultThatServedItsDelayBefore) {
  FaultMapping delayed = Empty();
  delayed.on_delay = absl::Seconds(5);
  Machine machine({delayed});
  machine.Up(0, 0);
  EXPECT_THAT(machine.By(5), ElementsAre("+0@0"));
  machine.conditioner().Resume({{true, "", ""}}, At(50));
  ASSERT_EQ(machine.conditioner().Active().size(), 1u);
  EXPECT_EQ(machine.conditioner().Active()[0].since, At(0));
}

TEST(FaultConditionerTest, FirstBlockingIsTheOneThatBeganFirst) {
  Machine machine({Empty(), Timeout(), Safety()});
  machine.Up(0, 1);
  machine.By(1);
  EXPECT_EQ(machine.conditioner().FirstBlocking(), nullptr);
  machine.Up(2, 2);
  machine.Up(1, 3);
  machine.By(3);
  ASSERT_NE(machine.conditioner().FirstBlocking(), nullptr);
  EXPECT_EQ(machine.conditioner().FirstBlocking()->fault_class, v1::FAULT_CLASS_SAFETY_CIRCUIT_GUARD_OPEN);
}

}  // namespace
}  // namespace bayward
