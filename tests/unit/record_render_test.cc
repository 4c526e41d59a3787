#include "absl/strings/str_split.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"
#include "server/cli/render.h"
#include "server/cli/table.h"

namespace bayward::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

constexpr std::int64_t kNoon = 1785585600000000;  // 2026-08-01T12:00:00Z
constexpr std::int64_t kMinute = 60'000'000;
const TimeText kUtc{absl::UTCTimeZone()};

v1::RawEventRow Event(int minute, std::uint64_t sequence, const std::string& words) {
  v1::RawEventRow row;
  row.set_effective_us(kNoon + minute * kMinute);
  row.set_sequence(sequence);
  row.set_words(words);
  row.set_clock("synced");
  return row;
}

v1::SpellRow Spell() {
  v1::SpellRow row;
  row.set_name("drive.travel_timeout");
  row.set_effect("blocking");
  row.set_origin("internal");
  row.set_raised_us(kNoon + 4 * kMinute);
  row.set_cleared_us(kNoon + 30 * kMinute);
  row.set_ended("cleared");
  row.set_raw_code("17");
  row.set_first_out(true);
  return row;
}

v1::GetOutageResponse AnOutage() {
  v1::GetOutageResponse response;
  response.set_machine("alder/bay-1");
  response.set_began_us(kNoon + 4 * kMinute);
  response.set_restored_us(kNoon + 30 * kMinute);
  response.set_down_seconds(26 * 60);
  response.set_first_out_name("drive.travel_timeout");
  response.set_as_of_us(kNoon + 60 * kMinute);
  *response.add_spells() = Spell();
  *response.add_events() = Event(4, 8, "fault raised: drive.travel_timeout, blocking");
  response.mutable_events(0)->set_raw_code("17");
  *response.add_events() = Event(30, 11, "fault cleared: drive.travel_timeout");
  response.mutable_events(1)->set_clock("not synced");
  response.add_notes("3 further raw events are left out here.");
  return response;
}

v1::GetWashRecordResponse ARecord() {
  v1::GetWashRecordResponse response;
  response.set_machine("alder/bay-1");
  response.set_cycle("c1");
  response.set_programme("2");
  response.set_started_us(kNoon);
  response.set_finished_us(kNoon + 5 * kMinute);
  response.set_outcome("aborted");
  response.set_clock_quality("raw events: 3 synced");
  response.set_last_clean_us(kNoon - 60 * kMinute);
  response.set_washes_since_clean(2);
  *response.add_steps() = Event(1, 5, "wash c1 reached step pre-soak");
  *response.add_faults_during() = Spell();
  response.set_sha256("ba7816bf");
  response.set_held(true);
  response.set_outside_reference("C-1042");
  response.set_as_of_us(kNoon + 60 * kMinute);
  response.add_notes("This sheet states facts as they were recorded and names no cause.");
  return response;
}

void ExpectFits(const std::string& text) {
  for (const auto& line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(DisplayWidth({line.data(), line.size()}), kTableWidthMax) << line;
  }
}

TEST(RenderOutageTest, FaultsThenRawEventsThenNotes) {
  EXPECT_EQ(
      RenderOutage(AnOutage(), kUtc),
      "alder/bay-1: drive.travel_timeout\n"
      "Began 2026-08-01 12:04:00, restored 2026-08-01 12:30:00; down 26 min of required time.\n"
      "Times are UTC. As of 2026-08-01 13:00:00.\n"
      "\n"
      "Faults\n"
      "\n"
      "raised               cleared              fault                 effect    origin    raw code  remarks\n"
      "-------------------------------------------------------------------------------------------------------\n"
      "2026-08-01 12:04:00  2026-08-01 12:30:00  drive.travel_timeout  blocking  internal  17        first-out\n"
      "\n"
      "Raw events: time of effect, sequence, what they say\n"
      "\n"
      "2026-08-01 12:04:00        8  fault raised: drive.travel_timeout, blocking, raw 17\n"
      "2026-08-01 12:30:00       11  fault cleared: drive.travel_timeout; clock not synced\n"
      "\n"
      "  * 3 further raw events are left out here.\n");
}

TEST(RenderOutageTest, WhatIsNotOverIsNotRestored) {
  v1::GetOutageResponse response = AnOutage();
  response.clear_restored_us();
  response.mutable_spells(0)->clear_cleared_us();
  response.mutable_spells(0)->set_ended("still active");
  const std::string text = RenderOutage(response, kUtc);
  EXPECT_THAT(text, HasSubstr("12:04:00, not restored; down"));
  EXPECT_THAT(text, HasSubstr("2026-08-01 12:04:00  not yet"));
  EXPECT_THAT(text, HasSubstr("first-out; still active"));
}

TEST(RenderOutageTest, LongWordsAreWrappedAndNothingIsCutOff) {
  v1::GetOutageResponse response = AnOutage();
  std::string words = "note: other";
  for (int i = 0; i < 60; ++i) words += " word" + std::to_string(i);
  response.mutable_events(0)->set_words(words);
  const std::string text = RenderOutage(response, kUtc);
  ExpectFits(text.substr(text.find("Raw events")));
  EXPECT_THAT(text, HasSubstr("word59"));
  EXPECT_THAT(text, Not(HasSubstr("…")));
}

TEST(RenderWashRecordTest, ASheetThatCanBePrinted) {
  const std::string text = RenderWashRecord(ARecord(), kUtc);
  ExpectFits(text);
  EXPECT_THAT(text, HasSubstr("RECORD OF ONE WASH: alder/bay-1\n===============================\n"));
  EXPECT_THAT(
      text,
      HasSubstr("wash                  c1\nprogramme             2\nstarted               2026-08-01 12:00:00\n"));
  EXPECT_THAT(text, HasSubstr("step reached          not known\n"));
  EXPECT_THAT(text, HasSubstr("last clean wash       2026-08-01 11:00:00; completed washes since then: 2\n"));
  EXPECT_THAT(text, HasSubstr("last upkeep before    not known\n"));
  EXPECT_THAT(text, HasSubstr("kept by a hold        yes, reference C-1042\n"));
  EXPECT_THAT(text, HasSubstr("\nSteps\n\n2026-08-01 12:01:00        5  wash c1 reached step pre-soak\n"));
  EXPECT_THAT(text, HasSubstr("\nContacts and forces\n\nnone\n"));
  EXPECT_THAT(text, HasSubstr("\nFaults in the 24 h before it\n\nnone\n"));
  EXPECT_THAT(text, HasSubstr("names no cause.\n"));
  EXPECT_TRUE(text.ends_with("\nStates facts, no cause.\nSHA-256 of the facts as text: ba7816bf\n"));
}

TEST(RenderWashRecordTest, WhatIsNotKnownIsNotZero) {
  v1::GetWashRecordResponse record = ARecord();
  record.clear_washes_since_clean();
  EXPECT_THAT(RenderWashRecord(record, kUtc), HasSubstr("11:00:00; completed washes since then: not known\n"));
  record.clear_last_clean_us();
  record.clear_held();
  EXPECT_THAT(RenderWashRecord(record, kUtc), HasSubstr("last clean wash       not known\n"));
  EXPECT_THAT(RenderWashRecord(record, kUtc), HasSubstr("kept by a hold        no\n"));
}

TEST(RenderWashRecordTest, WhatAnAgentSentCannotMoveTheCursor) {
  v1::GetWashRecordResponse record = ARecord();
  record.mutable_steps(0)->set_words("wash \x1b[2J");
  record.set_cycle("c\x1b[2J");
  EXPECT_THAT(RenderWashRecord(record, kUtc), Not(HasSubstr("\x1b")));
}

TEST(RenderHoldsTest, OneALine) {
  EXPECT_EQ(RenderHolds({}, kUtc), "No hold.\n");
  v1::ListHoldsResponse response;
  v1::HoldRow& row = *response.add_holds();
  row.set_hold(12);
  row.set_machine("alder/bay-1");
  row.set_from_us(kNoon);
  row.set_to_us(kNoon + 60 * kMinute);
  row.set_events(1234);
  row.set_by("claims desk");
  row.set_reason("damage reported");
  row.set_reference("C-1042");
  const std::string text = RenderHolds(response, kUtc);
  ExpectFits(text);
  EXPECT_THAT(
      text, HasSubstr("  12  alder/bay-1  2026-08-01 12:00  2026-08-01 13:00   1,234  claims desk  damage reported  "
                      "C-1042\n"));
  EXPECT_THAT(text, HasSubstr("1 holds; times are UTC.\n"));
  EXPECT_THAT(text, Not(HasSubstr("released")));
}

}  // namespace
}  // namespace bayward::cli
