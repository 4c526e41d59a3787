// The modbus source against a controller simulated by pymodbus.
#include "agent/sources/modbus_source.h"

#include <sys/resource.h>

#include <algorithm>
#include <string>
#include <vector>

#include "fmt/format.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "tests/support/fake_event_sink.h"
#include "tests/support/modbus_controller.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;
using ::testing::SizeIs;

using Entries = std::vector<FakeEventSink::Entry>;

constexpr char kBook[] = R"(
name = "b"
version = "1"
source = "modbus"
[[signal]]
name = "stop_ok"
table = "discrete_input"
address = 5
[[signal]]
name = "running"
table = "coil"
address = 40
[[signal]]
name = "aborted"
table = "coil"
address = 41
[[signal]]
name = "programme"
table = "input_register"
address = 30000
type = "u32"
word_order = "low_first"
[[signal]]
name = "word"
table = "holding_register"
address = 100
[[signal]]
name = "code"
table = "holding_register"
address = 110
holds = "code"
[[fault]]
class = "safety_circuit.emergency_stop_actuated"
signal = "stop_ok"
inverted = true
priority = 1
[[fault]]
class = "brushes.rotation_failed"
signal = "word"
bit = 3
priority = 9
[[fault]]
class = "drive.travel_timeout"
signal = "word"
bit = 0
priority = 2
[[fault]]
class = "sensors.beam_blocked"
signal = "code"
equals = 34
[cycle]
running = "running"
aborted = "aborted"
programme = "programme"
longest = "20m"
[cycle.programmes]
70000 = "everything"
)";

std::shared_ptr<const CodeBook> Book(const std::string& text) {
  std::vector<std::string> faults;
  auto book = ParseCodeBook(text, "book.toml", faults);
  EXPECT_THAT(faults, IsEmpty());
  return book;
}

ModbusSettings Settings(std::uint16_t port, const std::vector<int>& units, const std::string& book = kBook) {
  ModbusSettings settings;
  settings.name = "plc";
  settings.host = "127.0.0.1";
  settings.port = port;
  settings.poll = absl::Milliseconds(50);
  settings.timeout = absl::Milliseconds(200);
  settings.silent_after = absl::Seconds(1);
  for (int unit : units) settings.machines.push_back({fmt::format("bay-{}", unit), unit, 1, Book(book)});
  return settings;
}

std::size_t CountOf(const Entries& entries, const std::string& machine, const std::string& kind) {
  return static_cast<std::size_t>(std::count_if(entries.begin(), entries.end(), [&](const auto& entry) {
    return entry.machine == machine && entry.kind == kind;
  }));
}

class ModbusSourceTest : public ::testing::Test {
 protected:
  void StartController(const std::string& units) {
    controller_ = std::make_unique<ModbusController>(units);
    ASSERT_NE(controller_->port(), 0);
  }
  bool WaitFor(const std::string& machine, const std::string& kind, std::size_t count) {
    return sink_.WaitUntil([&](const Entries& entries) { return CountOf(entries, machine, kind) >= count; });
  }

  std::unique_ptr<ModbusController> controller_;
  FakeEventSink sink_;
};

TEST_F(ModbusSourceTest, FaultsAndCyclesBecomeEvents) {
  StartController("1");
  controller_->Tell("set 1 discrete_input 5 1; set 1 holding_register 110 34");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  const absl::Time before = absl::Now();
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good"));
  const v1::Snapshot found = sink_.entries()[0].snapshot;
  ASSERT_EQ(found.faults_size(), 1);
  EXPECT_EQ(found.faults(0).fault_class(), v1::FAULT_CLASS_SENSORS_BEAM_BLOCKED);
  EXPECT_EQ(found.mode(), v1::MODE_IN_SERVICE);

  controller_->Tell("set 1 input_register 30000 4464 1; set 1 coil 40 1");  // 1 * 65536 + 4464 = 70000
  ASSERT_TRUE(sink_.WaitForEntries(2));
  controller_->Tell("set 1 holding_register 100 9");  // bits 0 and 3 in one poll
  ASSERT_TRUE(sink_.WaitForEntries(4));
  controller_->Tell("set 1 coil 40 0 1");
  ASSERT_TRUE(sink_.WaitForEntries(5));
  controller_->Tell("set 1 holding_register 100 0; set 1 discrete_input 5 0");
  ASSERT_TRUE(sink_.WaitForEntries(8));
  source.Stop();
  const absl::Time after = absl::Now();

  const auto events = sink_.events();
  ASSERT_THAT(events, SizeIs(7));
  EXPECT_EQ(events[0].cycle_started().programme(), "everything");
  EXPECT_EQ(events[1].fault_raised().fault_class(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  EXPECT_EQ(events[2].fault_raised().fault_class(), v1::FAULT_CLASS_BRUSHES_ROTATION_FAILED);
  EXPECT_EQ(events[1].effective_at_us(), events[2].effective_at_us());
  EXPECT_EQ(events[3].cycle_finished().cycle(), events[0].cycle_started().cycle());
  EXPECT_EQ(events[3].cycle_finished().outcome(), v1::CYCLE_OUTCOME_ABORTED);
  EXPECT_EQ(events[3].cycle_finished().abort_cause(), v1::FAULT_CLASS_SENSORS_BEAM_BLOCKED);
  for (const v1::Event& event : events) {
    EXPECT_EQ(event.machine(), "bay-1");
    EXPECT_GE(event.effective_at_us(), absl::ToUnixMicros(before));
    EXPECT_LE(event.effective_at_us(), absl::ToUnixMicros(after));
  }
  EXPECT_EQ(CountOf(sink_.entries(), "bay-1", "fault_cleared"), 2u);
}

TEST_F(ModbusSourceTest, SilentUnitIsLostAndItsNeighbourIsNot) {
  StartController("1,2");
  controller_->Tell("set 1 discrete_input 5 1; set 2 discrete_input 5 1");
  ModbusSource source(Settings(controller_->port(), {1, 2}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(2));
  const absl::Time before = absl::Now();
  controller_->Tell("silent 1");
  ASSERT_TRUE(WaitFor("bay-1", "lost", 1));
  const auto lost = sink_.entries().back();
  EXPECT_EQ(lost.reason, v1::LOSS_REASON_SOURCE_SILENT);
  EXPECT_GT(lost.from, before - absl::Seconds(1));
  EXPECT_LT(lost.from, before + absl::Seconds(1));

  controller_->Tell("set 2 holding_register 100 1");
  ASSERT_TRUE(WaitFor("bay-2", "fault_raised", 1));
  EXPECT_EQ(CountOf(sink_.entries(), "bay-2", "lost"), 0u);

  controller_->Tell("set 1 holding_register 100 1; answer 1");
  ASSERT_TRUE(WaitFor("bay-1", "good", 2));
  source.Stop();
  // What rose unseen is in the snapshot and is no edge.
  EXPECT_EQ(CountOf(sink_.entries(), "bay-1", "fault_raised"), 0u);
  const auto entries = sink_.entries();
  const auto good = std::find_if(entries.rbegin(), entries.rend(), [](const auto& entry) {
    return entry.machine == "bay-1" && entry.kind == "good";
  });
  ASSERT_EQ(good->snapshot.faults_size(), 1);
  EXPECT_EQ(good->snapshot.faults(0).fault_class(), v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
}

TEST_F(ModbusSourceTest, DroppedConnectionAloneIsNoLoss) {
  StartController("1");
  controller_->Tell("set 1 discrete_input 5 1");
  ModbusSettings settings = Settings(controller_->port(), {1});
  settings.silent_after = absl::Seconds(15);
  ModbusSource source(settings, Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  controller_->Tell("drop");
  controller_->Tell("set 1 holding_register 100 1");
  ASSERT_TRUE(sink_.WaitForEntries(2));
  controller_->Tell("stop");
  controller_->Tell("set 1 holding_register 100 0; start");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good", "bay-1 fault_raised", "bay-1 fault_cleared"));
}

TEST_F(ModbusSourceTest, ControllerThatIsNotThereIsLostUntilItComes) {
  StartController("1");
  controller_->Tell("set 1 discrete_input 5 1; stop");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 lost"));
  EXPECT_EQ(sink_.entries()[0].reason, v1::LOSS_REASON_SOURCE_FAILED);
  controller_->Tell("start");
  ASSERT_TRUE(sink_.WaitForEntries(2));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 lost", "bay-1 good"));
}

TEST_F(ModbusSourceTest, AddressesThatDoNotExistBetweenOursAreReadAround) {
  StartController("1");
  controller_->Tell("hole 1 holding_register 101 109; set 1 discrete_input 5 1");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good"));
}

TEST_F(ModbusSourceTest, RefusedAddressIsALossWithItsDetail) {
  StartController("1");
  controller_->Tell("hole 1 coil 41 41");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 lost"));
  EXPECT_EQ(sink_.entries()[0].reason, v1::LOSS_REASON_SOURCE_FAILED);
  EXPECT_THAT(sink_.entries()[0].detail, ::testing::HasSubstr("coil 40, count 2"));
}

TEST_F(ModbusSourceTest, RefusedEventIsMadeGoodByASnapshot) {
  StartController("1");
  controller_->Tell("set 1 discrete_input 5 1");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(sink_.WaitForEntries(1));
  sink_.RefuseNext(1);
  controller_->Tell("set 1 holding_register 100 1");
  ASSERT_TRUE(sink_.WaitForEntries(3));
  source.Stop();
  EXPECT_THAT(sink_.Told(), ElementsAre("bay-1 good", "bay-1 lost", "bay-1 good"));
  EXPECT_EQ(sink_.entries()[2].snapshot.faults_size(), 1);
}

TEST_F(ModbusSourceTest, StopsAtOnceWhileTheControllerIsSilent) {
  StartController("1");
  controller_->Tell("silent 1");
  ModbusSource source(Settings(controller_->port(), {1}), Clock::System());
  ASSERT_TRUE(source.Start(sink_).ok());
  ASSERT_TRUE(WaitFor("bay-1", "lost", 1));
  const absl::Time before = absl::Now();
  source.Stop();
  source.Stop();
  EXPECT_LT(absl::Now() - before, absl::Seconds(5));
}

double CpuSeconds() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<double>(usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) +
         static_cast<double>(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec) / 1e6;
}

// At twenty times the pace: as many polls as in 100 s at two a second.
TEST_F(ModbusSourceTest, HundredSignalsCostLittle) {
  std::string book = "name = \"b\"\nversion = \"1\"\nsource = \"modbus\"\n";
  for (int i = 0; i < 60; ++i) {
    book += fmt::format("[[signal]]\nname = \"c{}\"\ntable = \"coil\"\naddress = {}\n", i, 100 + 3 * i);
    book += fmt::format("[[fault]]\nclass = \"brushes.rotation_failed\"\nsignal = \"c{}\"\n", i);
  }
  for (int i = 0; i < 40; ++i) {
    book += fmt::format("[[signal]]\nname = \"r{}\"\ntable = \"holding_register\"\naddress = {}\n", i,
                        400 + 2 * i);
    book +=
        fmt::format("[[fault]]\nclass = \"dosing.empty\"\nsignal = \"r{}\"\nbit = 4\non_delay = \"2s\"\n", i);
  }
  StartController("1");
  ModbusSettings settings = Settings(controller_->port(), {1}, book);
  settings.poll = absl::Milliseconds(25);
  ModbusSource source(settings, Clock::System());
  const double before = CpuSeconds();
  ASSERT_TRUE(source.Start(sink_).ok());
  controller_->Tell("until 400");
  source.Stop();
  const double polls =
      std::stoi(controller_->Tell("requests")) / 2.0;  // one request for the coils, one for the registers
  const double cpu_ms_per_poll = (CpuSeconds() - before) / polls * 1000;
  RecordProperty("cpu_microseconds_per_poll", static_cast<int>(cpu_ms_per_poll * 1000));
  // 1 % of a core at two polls a second is 5 ms a poll.
  EXPECT_LT(cpu_ms_per_poll, 5.0);
}

}  // namespace
}  // namespace bayward
