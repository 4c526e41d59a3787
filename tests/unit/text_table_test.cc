#include "server/cli/table.h"

#include "gtest/gtest.h"
#include "server/cli/format.h"

namespace bayward::cli {
namespace {

TEST(DisplayWidthTest, CountsColumnsNotBytes) {
  EXPECT_EQ(DisplayWidth("plain"), 5U);
  EXPECT_EQ(DisplayWidth("Jyväskylä"), 9U);
  EXPECT_EQ(DisplayWidth("a\xCC\x88"), 1U);  // a and a combining diaeresis
  EXPECT_EQ(DisplayWidth("洗車"), 4U);
  EXPECT_EQ(DisplayWidth("\xFF\xC3"), 2U);  // no UTF-8
}

TEST(DisplayWidthTest, RefusesOverlongAndSurrogateForms) {
  EXPECT_EQ(Printable("\xC0\xAF"), "??");
  EXPECT_EQ(Printable("\xED\xA0\x80"), "???");
  EXPECT_EQ(Printable("\xF4\x90\x80\x80"), "????");
  EXPECT_EQ(Printable("\xF0\x9F\x9A\x97"), "\xF0\x9F\x9A\x97");
}

TEST(PrintableTest, ControlCharactersCannotReachTheTerminal) {
  EXPECT_EQ(Printable("E07\x1b[2J\r\n\t"), "E07?[2J???");
  EXPECT_EQ(Printable("\xC2\x9B"
                      "31m"),
            "?31m");  // the one-character form of ESC [
  EXPECT_EQ(Printable("größe"), "größe");
}

TEST(CutToWidthTest, CutsBetweenCharacters) {
  EXPECT_EQ(CutToWidth("wash", 4), "wash");
  EXPECT_EQ(CutToWidth("washing", 4), "was…");
  EXPECT_EQ(CutToWidth("洗車機", 4), "洗…");
  EXPECT_EQ(CutToWidth("washing", 0), "");
}

TEST(TableTest, NumbersStandRightTextLeft) {
  Table table({{"site"}, {"down\nh", Align::kRight}});
  table.Add({"alder", "1,234.5"});
  table.Add({"Jyväskylä", "0"});
  table.AddRule();
  table.Add({"total", "1,234.5"});
  EXPECT_EQ(table.Render(),
            "              down\n"
            "site             h\n"
            "------------------\n"
            "alder      1,234.5\n"
            "Jyväskylä        0\n"
            "------------------\n"
            "total      1,234.5\n");
}

TEST(TableTest, AColumnWithNothingInItIsLeftOut) {
  Table table({{"site"}, {"raw"}, {"region"}});
  table.Add({"alder", "", "north"});
  table.Add({"birch"});
  EXPECT_EQ(table.Render(),
            "site   region\n"
            "-------------\n"
            "alder  north\n"
            "birch\n");
}

TEST(TableTest, WhatIsTooWideIsCutWhereItMay) {
  Table table({{"machine", Align::kLeft, 6}, {"n", Align::kRight}, {"why", Align::kLeft, 8}});
  table.Add({"harbour/bay-1", "1,000", "air_supply.pressure_low"});
  EXPECT_EQ(table.Render(30),
            "machine         n  why\n"
            "------------------------------\n"
            "harbour/b…  1,000  air_supply…\n");
  // The columns' least widths hold, even where the line becomes too long.
  EXPECT_EQ(table.Render(5),
            "machi…      n  why\n"
            "-----\n"
            "harbo…  1,000  air_sup…\n");
}

TEST(FormatTest, HoursAreGroupedAndNoneIsPlain) {
  EXPECT_EQ(Hours(0), "0");
  EXPECT_EQ(Hours(36), "0.0");
  EXPECT_EQ(Hours(3600 * 1.25), "1.2");
  EXPECT_EQ(Hours(3600.0 * 1234567.89), "1,234,567.9");
  EXPECT_EQ(Hours(-3600.0 * 1234), "-1,234.0");
  EXPECT_EQ(Count(999), "999");
  EXPECT_EQ(Count(1000), "1,000");
}

TEST(FormatTest, NoPercentageIsRoundedUpToAll) {
  EXPECT_EQ(Percent(1), "100.00");
  EXPECT_EQ(Percent(0.999999), "99.99");
  EXPECT_EQ(Percent(0.97311), "97.31");
  EXPECT_EQ(Percent(0), "0.00");
}

TEST(FormatTest, DurationsAreReadable) {
  EXPECT_EQ(ReadableDuration(absl::Seconds(59)), "59 s");
  EXPECT_EQ(ReadableDuration(absl::Seconds(60)), "1 min");
  EXPECT_EQ(ReadableDuration(absl::Minutes(125)), "2 h 05 min");
  EXPECT_EQ(ReadableDuration(absl::Hours(47)), "47 h 00 min");
  EXPECT_EQ(ReadableDuration(absl::Hours(100)), "4 d 4 h");
  EXPECT_EQ(ReadableDuration(-absl::Minutes(3)), "-3 min");
}

TEST(FormatTest, InstantsAreShownInTheZoneAskedFor) {
  absl::TimeZone helsinki;
  ASSERT_TRUE(absl::LoadTimeZone("Europe/Helsinki", &helsinki));
  const TimeText time(helsinki);
  const std::int64_t noon = 1785585600000000;  // 2026-08-01T12:00:00Z
  EXPECT_EQ(time.Minute(noon), "2026-08-01 15:00");
  EXPECT_EQ(time.Second(noon + 33'000'000), "2026-08-01 15:00:33");
  EXPECT_EQ(time.Minute(0), "");
  EXPECT_EQ(time.ZoneName(), "Europe/Helsinki");
}

TEST(FormatTest, LinesBreakAtBlanks) {
  EXPECT_EQ(Wrap("  * ", "one two three four", 13),
            "  * one two\n"
            "    three\n"
            "    four\n");
  EXPECT_EQ(Wrap("* ", "unbreakable", 5), "* unbreakable\n");
}

}  // namespace
}  // namespace bayward::cli
