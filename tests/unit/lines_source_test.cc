#include "agent/sources/lines_source.h"

#include <unistd.h>

#include <array>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "nlohmann/json.hpp"
#include "tests/support/fake_event_sink.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;
using ::testing::SizeIs;

constexpr char kBook[] = R"(
name = "b"
version = "3"
source = "lines"
[lines]
machine = "/m"
time = "/at"
code = "/code"
text = "/text"
raised = { "/state" = "on" }
cleared = { "/state" = "off" }
[[fault]]
class = "drive.travel_timeout"
code = "E07"
[[fault]]
class = "dosing.empty"
code = 12
[cycle]
started = { "/wash" = "start" }
finished = { "/wash" = "end" }
aborted = { "/wash" = "end", "/result" = "stopped" }
id = "/ticket"
programme = "/menu"
programmes = { B = "brush" }
longest = "30m"
[mode]
in_service = { "/mode" = "open" }
occupied = { "/mode" = "service" }
[[mode.closed]]
when = { "/mode" = "frost" }
reason = "frost"
)";
constexpr char kSnapshot[] = "[snapshot]\nwhen = { \"/report\" = true }\nfaults = \"/active\"\n";

std::shared_ptr<const CodeBook> Book(const std::string& text) {
  std::vector<std::string> faults;
  auto book = ParseCodeBook(text, "book.toml", faults);
  EXPECT_THAT(faults, IsEmpty());
  return book;
}

class LinesSourceTest : public ::testing::Test {
 protected:
  LinesSourceTest() {
    std::string name = (std::filesystem::temp_directory_path() / "bayward-lines-XXXXXX").string();
    folder_ = mkdtemp(name.data());
    path_ = folder_ / "controller.log";
    Append("{\"m\": \"1\", \"state\": \"on\", \"code\": \"E07\", \"old\": true}\n");
  }
  ~LinesSourceTest() override { std::filesystem::remove_all(folder_); }

  void Append(const std::string& text) {
    std::ofstream(path_, std::ios::app | std::ios::binary) << text << std::flush;
  }

  LinesSettings Settings(const std::string& book = kBook) const {
    LinesSettings settings;
    settings.name = "printer";
    settings.path = path_;
    settings.machines.push_back({"bay-1", 1, "1", Book(book)});
    settings.machines.push_back({"bay-2", 2, "2", settings.machines[0].book});
    return settings;
  }

  std::filesystem::path folder_;
  std::filesystem::path path_;
  FakeEventSink sink_;
};

TEST_F(LinesSourceTest, FollowsTheFileFromItsEnd) {
  LinesSource source(Settings(), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good", "bay-2 good"));
  Append("{\"m\": \"2\", \"state\": \"on\", \"code\": 12, \"text\": \"foam\"}\n{\"m\": \"1\", \"sta");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  Append("te\": \"off\", \"code\": \"E07\"}\n{\"m\": \"2\", \"state\": \"off\", \"code\": 12}\n");
  ASSERT_TRUE(sink_.WaitForEntries(4));
  source.Stop();
  source.Stop();
  const auto events = sink_.events();
  ASSERT_THAT(events, SizeIs(2));  // E07 was never seen to rise, so its fall is no edge
  EXPECT_EQ(events[0].machine(), "bay-2");
  EXPECT_EQ(events[0].fault_raised().fault_class(), v1::FAULT_CLASS_DOSING_EMPTY);
  EXPECT_EQ(events[0].fault_raised().raw_code(), "12");
  EXPECT_EQ(events[0].fault_raised().raw_text(), "foam");
  EXPECT_TRUE(events[1].has_fault_cleared());
}

TEST_F(LinesSourceTest, ReadsFromTheBeginningIfTold) {
  LinesSettings settings = Settings();
  settings.from_beginning = true;
  LinesSource source(settings, Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(3));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good", "bay-2 good", "bay-1 fault_raised"));
}

TEST_F(LinesSourceTest, MalformedLinesAreCountedAndStopNothing) {
  LinesSource source(Settings(), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  Append("not json\n[1, 2]\n{\"m\": \"1\", \"state\": \n\n" + std::string(70'000, 'x') + "\n" +
         std::string(3, '\0') +
         "\n{\"m\": \"7\", \"state\": \"on\"}\n{\"m\": \"1\", \"hello\": 1}\n{\"m\": \"1\", \"mode\": "
         "\"frost\"}\r\n");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  source.Stop();
  EXPECT_EQ(source.malformed_lines(), 5u);
  EXPECT_EQ(source.unused_lines(), 2u);
  ASSERT_THAT(sink_.events(), SizeIs(1));
  EXPECT_EQ(sink_.events()[0].mode_changed().reason(), v1::MODE_REASON_FROST);
}

TEST_F(LinesSourceTest, FileThatIsCutShortOrReplacedIsReadAnew) {
  LinesSource source(Settings(), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  { std::ofstream cut(path_, std::ios::trunc); }
  Append("{\"m\": \"1\", \"mode\": \"frost\"}\n");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  std::filesystem::rename(path_, folder_ / "controller.log.1");
  Append("{\"m\": \"1\", \"mode\": \"open\"}\n");
  ASSERT_TRUE(sink_.WaitForEntries(4));
  EXPECT_THAT(sink_.Told(),
              ElementsAre("bay-1 good", "bay-2 good", "bay-1 mode_changed", "bay-1 mode_changed"));
}

TEST_F(LinesSourceTest, MissingFileIsALossUntilItComes) {
  std::filesystem::remove(path_);
  LinesSource source(Settings(), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 lost", "bay-2 lost"));
  EXPECT_EQ(sink_.entries()[0].reason, v1::LOSS_REASON_SOURCE_FAILED);
  Append("{\"m\": \"1\", \"mode\": \"frost\"}\n");
  ASSERT_TRUE(sink_.WaitForEntries(4));
  EXPECT_EQ(sink_.Told()[2], "bay-1 good");
}

TEST_F(LinesSourceTest, StandardInputEndsInALoss) {
  std::array<int, 2> ends{};
  ASSERT_EQ(pipe(ends.data()), 0);
  LinesSource source(Settings(), Clock::System(), ByteFeed::Descriptor(ends[0]));
  ASSERT_TRUE(source.Start(sink_).ok());
  const std::string line = "{\"m\": \"1\", \"state\": \"on\", \"code\": \"E07\"}\n";
  ASSERT_EQ(write(ends[1], line.data(), line.size()), static_cast<ssize_t>(line.size()));
  ASSERT_TRUE(sink_.WaitForEntries(3));
  close(ends[1]);
  ASSERT_TRUE(sink_.WaitForEntries(5));
  EXPECT_THAT(sink_.Told(),
              ElementsAre("bay-1 good", "bay-2 good", "bay-1 fault_raised", "bay-1 lost", "bay-2 lost"));
  source.Stop();
  close(ends[0]);
}

TEST_F(LinesSourceTest, SilenceIsALossAndTheNextLineEndsIt) {
  FakeClock clock(absl::FromUnixSeconds(1'800'000'000));
  LinesSettings settings = Settings();
  settings.silent_after = absl::Seconds(30);
  LinesSource source(settings, clock);
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  clock.Advance(absl::Seconds(31));
  ASSERT_TRUE(sink_.WaitForEntries(4));
  EXPECT_EQ(sink_.entries()[2].reason, v1::LOSS_REASON_SOURCE_SILENT);
  EXPECT_EQ(sink_.entries()[2].from, absl::FromUnixSeconds(1'800'000'000));
  Append("{\"m\": \"2\", \"state\": \"on\", \"code\": 12}\n");
  ASSERT_TRUE(sink_.WaitForEntries(6));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good", "bay-2 good", "bay-1 lost", "bay-2 lost", "bay-2 good",
                                        "bay-2 fault_raised"));
}

TEST_F(LinesSourceTest, RefusedEventIsMadeGoodByASnapshot) {
  LinesSource source(Settings(), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  sink_.RefuseNext(1);
  Append("{\"m\": \"1\", \"state\": \"on\", \"code\": \"E07\"}\n");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  Append("{\"m\": \"1\", \"mode\": \"frost\"}\n");
  ASSERT_TRUE(sink_.WaitForEntries(5));
  EXPECT_THAT(sink_.Told(),
              ElementsAre("bay-1 good", "bay-2 good", "bay-1 lost", "bay-1 good", "bay-1 mode_changed"));
  ASSERT_EQ(sink_.entries()[3].snapshot.faults_size(), 1);
}

TEST_F(LinesSourceTest, WithSnapshotLinesObservationBeginsWithOne) {
  LinesSettings settings = Settings(std::string(kBook) + kSnapshot);
  settings.from_beginning = true;  // bay-1's fault, which is no edge yet
  Append("{\"m\": \"2\", \"report\": true, \"active\": []}\n");
  LinesSource source(settings, Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-2 good"));
  Append("{\"m\": \"1\", \"report\": true, \"active\": [12, \"X9\"]}\n");
  ASSERT_TRUE(sink_.WaitForEntries(2));
  const v1::Snapshot found = sink_.entries()[1].snapshot;
  ASSERT_EQ(found.faults_size(), 2);
  EXPECT_EQ(found.faults(0).fault_class(), v1::FAULT_CLASS_DOSING_EMPTY);
  EXPECT_EQ(found.faults(1).fault_class(), v1::FAULT_CLASS_UNCLASSIFIED_FAULT);
  EXPECT_EQ(found.faults(1).raw_code(), "X9");
  // A later one corrects what was missed.
  Append("{\"m\": \"1\", \"report\": true, \"active\": [\"E07\", \"X9\"]}\n");
  ASSERT_TRUE(sink_.WaitForEntries(4));
  EXPECT_THAT(sink_.Told(),
              ElementsAre("bay-2 good", "bay-1 good", "bay-1 fault_raised", "bay-1 fault_cleared"));
}

class LineInterpreterTest : public ::testing::Test {
 protected:
  LineInterpreterTest() : interpreter_("bay-1", "", Book(kBook)) {}

  static Instant At(double second) {
    return {absl::FromUnixSeconds(1'800'000'000) + absl::Seconds(second),
            absl::Seconds(9000) + absl::Seconds(second)};
  }
  std::vector<v1::Event> Take(const std::string& text, double second) {
    const nlohmann::json line = nlohmann::json::parse(text);
    const Instant at = interpreter_.TimeOf(line, At(second));
    EXPECT_TRUE(interpreter_.Take(line, at, false)) << text;
    return interpreter_.watch().Advance(at);
  }

  LineInterpreter interpreter_;
};

TEST_F(LineInterpreterTest, CyclesOverlapByTheirIds) {
  auto events = Take(R"({"wash": "start", "ticket": 1, "menu": "B"})", 0);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].cycle_started().cycle(), "1");
  EXPECT_EQ(events[0].cycle_started().programme(), "brush");
  Take(R"({"wash": "start", "ticket": 2, "menu": "C"})", 60);
  events = Take(R"({"wash": "end", "ticket": 2})", 100);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].cycle_finished().cycle(), "2");
  EXPECT_EQ(events[0].cycle_finished().programme(), "C");
  EXPECT_EQ(events[0].cycle_finished().duration_us(), 40'000'000);
  events = Take(R"({"wash": "end", "ticket": 1, "result": "stopped"})", 110);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABORTED);
}

TEST_F(LineInterpreterTest, EndWithoutStartIsReportedWithoutDuration) {
  const auto events = Take(R"({"wash": "end", "ticket": 5, "menu": "B"})", 0);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].cycle_finished().duration_us(), 0);
  EXPECT_EQ(events[0].cycle_finished().programme(), "brush");
}

TEST_F(LineInterpreterTest, WithoutIdsTheNextStartAbandonsTheCycleBefore) {
  Take(R"({"wash": "start"})", 0);
  const auto events = Take(R"({"wash": "start"})", 60);
  ASSERT_THAT(events, SizeIs(2));
  EXPECT_EQ(events[0].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABANDONED);
  EXPECT_TRUE(events[1].has_cycle_started());
  EXPECT_NE(events[0].cycle_finished().cycle(), events[1].cycle_started().cycle());
}

TEST_F(LineInterpreterTest, StatedTimeIsTakenIfItIsNoOlderThanAnHour) {
  const auto stamped = [](double second) {
    return R"({"mode": ")" + std::string(second < -3600 ? "open" : "frost") + R"(", "at": ")" +
           absl::FormatTime(absl::RFC3339_full, At(second).wall, absl::FixedTimeZone(3600)) + "\"}";
  };
  auto events = Take(stamped(-5), 0);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].effective_at_us(), absl::ToUnixMicros(At(-5).wall));
  events = Take(stamped(-4000), 10);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].effective_at_us(), absl::ToUnixMicros(At(10).wall));
  events = Take(R"({"mode": "service", "at": 1800000020.5})", 21);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].effective_at_us(), absl::ToUnixMicros(At(20.5).wall));
}

TEST_F(LineInterpreterTest, TimeNeverGoesBack) {
  Take(R"({"mode": "frost", "at": 1800000010})", 20);
  const auto events = Take(R"({"mode": "open", "at": 1800000005})", 21);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].effective_at_us(), absl::ToUnixMicros(At(10).wall));
}

TEST_F(LineInterpreterTest, UnmappedCodesHoldUntilTheLastHasCleared) {
  auto events = Take(R"({"state": "on", "code": "Z1", "text": "what?"})", 0);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].fault_raised().fault_class(), v1::FAULT_CLASS_UNCLASSIFIED_FAULT);
  EXPECT_EQ(events[0].fault_raised().raw_code(), "Z1");
  EXPECT_EQ(events[0].fault_raised().raw_text(), "what?");
  events = Take(R"({"state": "on", "code": "Z2"})", 1);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].fault_raised().raw_code(), "Z2");
  EXPECT_THAT(Take(R"({"state": "off", "code": "Z2"})", 2), IsEmpty());
  events = Take(R"({"state": "off", "code": "Z1"})", 3);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_TRUE(events[0].has_fault_cleared());
}

TEST_F(LineInterpreterTest, TextIsBoundedAndPrintable) {
  std::string text(511, 'x');
  text += "\u00e9tat";  // the first character after 511 bytes takes two
  auto events = Take(nlohmann::json{{"state", "on"}, {"code", "a\nb"}, {"text", text}}.dump(), 0);
  ASSERT_THAT(events, SizeIs(1));
  EXPECT_EQ(events[0].fault_raised().raw_code(), "a b");
  EXPECT_EQ(events[0].fault_raised().raw_text(), std::string(511, 'x'));
}

TEST_F(LineInterpreterTest, CyclesThatNeverEndAreBounded) {
  std::size_t abandoned = 0;
  for (int i = 0; i < 300; ++i) {
    for (const v1::Event& event : Take(fmt::format(R"({{"wash": "start", "ticket": {}}})", i), i)) {
      if (!event.has_cycle_finished()) continue;
      EXPECT_EQ(event.cycle_finished().cycle(), std::to_string(abandoned++));
      EXPECT_EQ(event.cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABANDONED);
    }
  }
  EXPECT_EQ(abandoned, 300 - CycleTracker::kOpenMax);
}

}  // namespace
}  // namespace bayward
