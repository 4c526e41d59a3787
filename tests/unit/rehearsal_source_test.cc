#include "agent/sources/rehearsal_source.h"

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_event_sink.h"

namespace bayward {
namespace {

using ::testing::Each;
using ::testing::ElementsAre;
using ::testing::IsEmpty;
using ::testing::Le;
using ::testing::SizeIs;

constexpr std::int64_t kSecond = 1'000'000;
constexpr std::int64_t kStart = 1'800'000'000 * kSecond;  // of the scenarios

std::string CycleLine(std::int64_t at_us, int number) {
  return R"({"machine": "bay-1", "recorded_at_us": ")" + std::to_string(at_us) +
         R"(", "cycle_started": {"cycle": "c)" + std::to_string(number) + "\"}}\n";
}

class RehearsalTest : public ::testing::Test {
 protected:
  RehearsalTest() : clock_(absl::FromUnixMicros(kStart + 3600 * kSecond)) {
    std::string name = (std::filesystem::temp_directory_path() / "bayward-rehearsal-XXXXXX").string();
    folder_ = mkdtemp(name.data());
    settings_.name = "history";
    settings_.path = folder_ / "scenario.jsonl";
    settings_.machines = {"bay-1", "bay-2"};
    settings_.line = 1;
  }
  ~RehearsalTest() override { std::filesystem::remove_all(folder_); }

  void Write(const std::string& text) const { std::ofstream(settings_.path, std::ios::binary) << text; }
  // Lines a second apart from kStart on.
  void WriteCycles(int count) const {
    std::string text;
    for (int i = 0; i < count; ++i) text += CycleLine(kStart + i * kSecond, i);
    Write(text);
  }
  std::vector<std::string> Cycles() const {
    std::vector<std::string> cycles;
    for (const v1::Event& event : sink_.events()) cycles.push_back(event.cycle_started().cycle());
    return cycles;
  }

  std::filesystem::path folder_;
  RehearsalSettings settings_;
  FakeClock clock_;
  FakeEventSink sink_;
};

TEST_F(RehearsalTest, HandsOnThePastInChunksMarkedAsPlayed) {
  WriteCycles(1234);
  RehearsalSource source(settings_, clock_);
  EXPECT_TRUE(source.rehearses());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1234));
  source.Stop();
  source.Stop();
  EXPECT_THAT(sink_.chunks(), Each(Le(500u)));
  EXPECT_THAT(sink_.chunks(), SizeIs(3));
  const auto events = sink_.events();
  ASSERT_THAT(events, SizeIs(1234));
  for (std::size_t i = 0; i < events.size(); ++i) {
    EXPECT_EQ(events[i].recorded_at_us(), kStart + static_cast<std::int64_t>(i) * kSecond);
    EXPECT_EQ(events[i].cycle_started().cycle(), "c" + std::to_string(i));
    EXPECT_TRUE(events[i].rehearsal());
    EXPECT_EQ(events[i].clock(), v1::CLOCK_STATE_SIMULATED);
  }
}

TEST_F(RehearsalTest, WhatLiesAheadWaitsForItsTime) {
  Write(CycleLine(kStart, 0) + CycleLine(kStart + 3600 * kSecond + 90 * kSecond, 1));
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  ASSERT_TRUE(sink_.WaitForAliveCalls(3));
  EXPECT_EQ(sink_.alive_until(), clock_.Now());
  clock_.Advance(absl::Seconds(89));
  ASSERT_TRUE(sink_.WaitForAliveCalls(sink_.alive_calls() + 2));
  EXPECT_THAT(sink_.events(), SizeIs(1));
  EXPECT_FALSE(source.ended());
  clock_.Advance(absl::Seconds(1));
  ASSERT_TRUE(sink_.WaitForEntries(2));
  // At its end it stays alive and quiet.
  ASSERT_TRUE(sink_.WaitForAliveCalls(sink_.alive_calls() + 2));
  EXPECT_TRUE(source.ended());
  EXPECT_THAT(sink_.events(), SizeIs(2));
}

TEST_F(RehearsalTest, EverySpellingOfAnEventAndEveryTimeInItIsTaken) {
  Write(R"({"machine": "bay-2", "recordedAtUs": "1800000000000000", "observationStarted": {}})"
        "\n"
        R"({"machine": "bay-2", "recorded_at_us": 1800000000000001, "effective_at_us": "1800000000000000",)"
        R"( "fault_raised": {"fault_class": "FAULT_CLASS_DOSING_EMPTY", "raw_code": "E9"}})");  // no end of
                                                                                                // line
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  const auto events = sink_.events();
  EXPECT_TRUE(events[0].has_observation_started());
  EXPECT_EQ(events[1].effective_at_us(), kStart);
  EXPECT_EQ(events[1].recorded_at_us(), kStart + 1);
  EXPECT_EQ(events[1].fault_raised().fault_class(), v1::FAULT_CLASS_DOSING_EMPTY);
}

TEST_F(RehearsalTest, LinesThatCannotBePlayedArePassedOver) {
  Write("nonsense\n" + CycleLine(kStart + kSecond, 1) + CycleLine(kStart, 0) +
        R"({"machine": "bay-9", "recorded_at_us": 1800000009000000, "observation_started": {}})"
        "\n"
        R"({"machine": "bay-1", "recorded_at_us": 1800000009000000})"
        "\n"
        R"({"machine": "bay-1", "recorded_at_us": 1800000009000000, "tombstone": {}})"
        "\n"
        R"({"machine": "bay-1", "recorded_at_us": 1800000009000000, "colour": 1})"
        "\n\n" +
        CycleLine(kStart + 2 * kSecond, 2));
  Scenario scenario(settings_.path, settings_.machines);
  ASSERT_TRUE(scenario.Open().ok());
  ASSERT_TRUE(scenario.Next().has_value());
  const auto second = scenario.Next();
  ASSERT_TRUE(second.has_value());
  EXPECT_EQ(second->cycle_started().cycle(), "c2");
  EXPECT_FALSE(scenario.Next().has_value());
  EXPECT_EQ(scenario.malformed_lines(), 6u);
}

TEST_F(RehearsalTest, AfterACrashAnywhereEachLineIsRecordedOnce) {
  constexpr int kLines = 2600;
  WriteCycles(kLines);
  std::size_t starts = 0;
  // A crash before each transaction in turn: what was committed stays, with its mark.
  for (std::size_t survived = 0; sink_.events().size() < kLines; survived = 1) {
    ASSERT_LT(++starts, 20u);
    sink_.CrashAfter(survived);
    const std::size_t before = sink_.events().size();
    RehearsalSource source(settings_, clock_);
    ASSERT_TRUE(source.Start(sink_).ok());
    ASSERT_TRUE(sink_.WaitForEntries(before + (survived == 0 ? 0 : 1)));
    source.Stop();
  }
  EXPECT_GE(starts, 6u);
  const auto cycles = Cycles();
  ASSERT_THAT(cycles, SizeIs(kLines));
  for (int i = 0; i < kLines; ++i) EXPECT_EQ(cycles[static_cast<std::size_t>(i)], "c" + std::to_string(i));
}

TEST_F(RehearsalTest, RestartBehindAnEventThatWasReadButNotDueLosesNothing) {
  Write(CycleLine(kStart, 0) + CycleLine(kStart + 3700 * kSecond, 1));
  {
    RehearsalSource source(settings_, clock_);
    ASSERT_TRUE(source.Start(sink_).ok());
    ASSERT_TRUE(sink_.WaitForEntries(1));
    ASSERT_TRUE(sink_.WaitForAliveCalls(2));
  }
  clock_.Advance(absl::Seconds(100));
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  EXPECT_THAT(Cycles(), ElementsAre("c0", "c1"));
}

TEST_F(RehearsalTest, ScenarioThatGrewIsPlayedOnAndAnotherFromItsBeginning) {
  WriteCycles(3);
  {
    RehearsalSource source(settings_, clock_);
    ASSERT_TRUE(source.Start(sink_).ok());
    ASSERT_TRUE(sink_.WaitForEntries(3));
  }
  WriteCycles(5);
  {
    RehearsalSource source(settings_, clock_);
    ASSERT_TRUE(source.Start(sink_).ok());
    ASSERT_TRUE(sink_.WaitForEntries(5));
  }
  EXPECT_THAT(Cycles(), ElementsAre("c0", "c1", "c2", "c3", "c4"));
  Write(CycleLine(kStart, 70) + CycleLine(kStart + kSecond, 71));
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(7));
  EXPECT_EQ(Cycles()[5], "c70");
}

TEST_F(RehearsalTest, RefusedChunkIsTriedAgain) {
  WriteCycles(3);
  sink_.RefuseNext(1);
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(3));
  EXPECT_THAT(Cycles(), ElementsAre("c0", "c1", "c2"));
}

TEST_F(RehearsalTest, RepetitionsFollowEachOtherWithIdsOfTheirOwn) {
  Write(CycleLine(kStart, 0) + CycleLine(kStart + 1799 * kSecond, 1));
  settings_.repeat = true;
  {
    RehearsalSource source(settings_, clock_);
    ASSERT_TRUE(source.Start(sink_).ok());
    ASSERT_TRUE(sink_.WaitForEntries(5));
  }
  // The second pass is over by 3599 s; the third has begun at 3600 s, which is now.
  EXPECT_THAT(Cycles(), ElementsAre("c0", "c1", "c0~2", "c1~2", "c0~3"));
  EXPECT_EQ(sink_.events()[2].recorded_at_us(), kStart + 1800 * kSecond);
  EXPECT_EQ(sink_.events()[4].recorded_at_us(), kStart + 3600 * kSecond);
  // A restart goes on within the repetition.
  clock_.Advance(absl::Seconds(1800));
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(7));
  EXPECT_THAT(Cycles(), ElementsAre("c0", "c1", "c0~2", "c1~2", "c0~3", "c1~3", "c0~4"));
  EXPECT_EQ(sink_.events()[5].recorded_at_us(), kStart + 5399 * kSecond);
}

TEST_F(RehearsalTest, EmptyScenarioDoesNotRepeatForEver) {
  Write("nonsense\n");
  settings_.repeat = true;
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForAliveCalls(2));
  EXPECT_TRUE(source.ended());
}

TEST_F(RehearsalTest, FromNowOnAndFaster) {
  Write(CycleLine(kStart, 0) + CycleLine(kStart + 600 * kSecond, 1));
  settings_.begin_now = true;
  settings_.speed = 60;
  const std::int64_t now = absl::ToUnixMicros(clock_.Now());
  RehearsalSource source(settings_, clock_);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_EQ(sink_.events()[0].recorded_at_us(), now);
  clock_.Advance(absl::Seconds(10));
  ASSERT_TRUE(sink_.WaitForEntries(2));
  EXPECT_EQ(sink_.events()[1].recorded_at_us(), now + 10 * kSecond);
}

TEST_F(RehearsalTest, MissingScenarioIsSaidAtTheStart) {
  RehearsalSource source(settings_, clock_);
  EXPECT_EQ(source.Start(sink_).code(), absl::StatusCode::kUnavailable);
  WriteCycles(1);
  RehearsalSource found(settings_, clock_);
  EXPECT_TRUE(found.Start(sink_).ok());
}

TEST(RetimerTest, MovesEveryInstantAndDuration) {
  Retimer retimer;
  retimer.first_us = 1000;
  retimer.origin_us = 5000;
  retimer.speed = 10;
  v1::Event lost;
  lost.set_recorded_at_us(2000);
  lost.set_effective_at_us(1500);
  lost.mutable_observation_lost()->set_from_us(1200);
  retimer.Apply(lost);
  EXPECT_EQ(lost.recorded_at_us(), 5100);
  EXPECT_EQ(lost.effective_at_us(), 5050);
  EXPECT_EQ(lost.observation_lost().from_us(), 5020);

  v1::Event finished;
  finished.set_recorded_at_us(1000);
  finished.mutable_cycle_finished()->set_cycle("c");
  finished.mutable_cycle_finished()->set_duration_us(600);
  retimer.pass = 1;
  retimer.Apply(finished);
  EXPECT_EQ(finished.effective_at_us(), 0);
  EXPECT_EQ(finished.cycle_finished().duration_us(), 60);
  EXPECT_EQ(finished.cycle_finished().cycle(), "c~2");
}

TEST(RehearsalMarkTest, RoundTripAndRefusal) {
  RehearsalMark mark;
  mark.position = {12, 3, std::string(64, 'a')};
  mark.pass = 2;
  mark.first_us = -5;
  mark.origin_us = 6;
  mark.last_us = 7;
  const auto parsed = RehearsalMark::Parse(mark.ToText());
  ASSERT_TRUE(parsed.has_value());
  EXPECT_EQ(parsed->ToText(), mark.ToText());
  EXPECT_EQ(parsed->position.line, 3u);
  for (const char* text : {"", "1 2 3", "a 2 3 4 5 6 7", "1 2 3 4 5 6 abc"}) {
    EXPECT_FALSE(RehearsalMark::Parse(text).has_value()) << text;
  }
}

}  // namespace
}  // namespace bayward
