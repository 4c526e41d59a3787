#include "agent/codebook/code_book.h"

#include <fstream>
#include <string>
#include <vector>

#include "proto/common/digest.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::StartsWith;

struct Parsed {
  std::shared_ptr<const CodeBook> book;
  std::vector<std::string> faults;
};

Parsed Parse(const std::string& text) {
  Parsed parsed;
  parsed.book = ParseCodeBook(text, "book.toml", parsed.faults);
  return parsed;
}

// Three lines; what follows begins on line 4.
std::string Modbus(const std::string& rest) {
  return "name = \"b\"\nversion = \"1\"\nsource = \"modbus\"\n" + rest;
}

constexpr char kSignals[] =
    "[[signal]]\nname = \"stop\"\ntable = \"coil\"\naddress = 3\n"                 // lines 4 to 7
    "[[signal]]\nname = \"word\"\ntable = \"holding_register\"\naddress = 100\n";  // lines 8 to 11

std::string WithFault(const std::string& fault) {
  return Modbus(std::string(kSignals) + "[[fault]]\n" + fault);
}

std::string Lines(const std::string& rest) {
  return "name = \"b\"\nversion = \"1\"\nsource = \"lines\"\n[lines]\ncode = \"/code\"\n"
         "raised = { \"/state\" = \"on\" }\ncleared = { \"/state\" = \"off\" }\n" +
         rest;
}

void ExpectAccepted(const std::string& text) {
  const Parsed parsed = Parse(text);
  EXPECT_THAT(parsed.faults, IsEmpty()) << text;
  EXPECT_NE(parsed.book, nullptr);
}

void ExpectRefused(const std::string& text, const std::string& line, const std::string& why) {
  const Parsed parsed = Parse(text);
  EXPECT_EQ(parsed.book, nullptr);
  ASSERT_EQ(parsed.faults.size(), 1u) << text << "\n" << ::testing::PrintToString(parsed.faults);
  EXPECT_THAT(parsed.faults[0], StartsWith("book.toml:" + line + ": "));
  EXPECT_THAT(parsed.faults[0], HasSubstr(why));
}

TEST(CodeBookTest, ExamplesThatShipAreValid) {
  for (const char* file : {"gantry_modbus.toml", "tunnel_lines.toml"}) {
    std::vector<std::string> faults;
    const auto book = ReadCodeBook(std::string(BAYWARD_SOURCE_DIR "/deploy/codebooks/") + file, faults);
    EXPECT_THAT(faults, IsEmpty());
    ASSERT_NE(book, nullptr);
    EXPECT_THAT(book->name, StartsWith("example-"));
    EXPECT_GT(book->faults.size(), 5u);
    EXPECT_EQ(book->sha256.size(), 64u);
  }
}

TEST(CodeBookTest, MapsASignalToAFault) {
  const Parsed parsed = Parse(WithFault(
      "class = \"drive.travel_timeout\"\nsignal = \"word\"\nbit = 7\npriority = 4\nraw_code = \"W7\"\n"
      "raw_text = \"too slow\"\norigin = \"user\"\neffect = \"degrading\"\non_delay = \"3s\"\noff_delay = "
      "\"500ms\"\n"));
  ASSERT_NE(parsed.book, nullptr) << ::testing::PrintToString(parsed.faults);
  ASSERT_EQ(parsed.book->faults.size(), 1u);
  const FaultMapping& fault = parsed.book->faults[0];
  EXPECT_EQ(fault.fault_class, v1::FAULT_CLASS_DRIVE_TRAVEL_TIMEOUT);
  EXPECT_EQ(fault.effect, v1::EFFECT_DEGRADING);
  EXPECT_EQ(fault.origin, v1::ORIGIN_USER);
  EXPECT_EQ(fault.priority, 4u);
  EXPECT_EQ(fault.raw_code, "W7");
  EXPECT_EQ(fault.raw_text, "too slow");
  EXPECT_EQ(fault.on_delay, absl::Seconds(3));
  EXPECT_EQ(fault.off_delay, absl::Milliseconds(500));
  const SignalTest& test = parsed.book->modbus.faults.at(0);
  EXPECT_EQ(test.signal, 1u);
  EXPECT_TRUE(test.Holds(1U << 7));
  EXPECT_FALSE(test.Holds(0xFF7FU));
}

TEST(CodeBookTest, UnknownClassNamesTheNearest) {
  ExpectRefused(WithFault("class = \"drive.travel_timeot\"\nsignal = \"stop\"\n"), "13",
                "drive.travel_timeout");
  ExpectAccepted(WithFault("class = \"drive.travel_timeout\"\nsignal = \"stop\"\n"));
}

TEST(CodeBookTest, EffectOfASafetyClassIsNeverLowered) {
  const std::string safety = "class = \"safety_circuit.guard_open\"\nsignal = \"stop\"\n";
  ExpectRefused(WithFault(safety + "effect = \"degrading\"\n"), "15", "never lowered");
  ExpectAccepted(WithFault(safety + "effect = \"blocking\"\n"));
  // It may be raised, and another class's may be lowered.
  ExpectAccepted(WithFault("class = \"spray.external_leak\"\nsignal = \"stop\"\neffect = \"blocking\"\n"));
  ExpectRefused(WithFault("class = \"spray.external_leak\"\nsignal = \"stop\"\neffect = \"advisory\"\n"),
                "15", "never lowered");
  ExpectAccepted(WithFault("class = \"drive.travel_timeout\"\nsignal = \"stop\"\neffect = \"advisory\"\n"));
}

TEST(CodeBookTest, SafetyClassesTakeNoDelay) {
  const std::string safety = "class = \"safety_circuit.guard_open\"\nsignal = \"stop\"\n";
  ExpectRefused(WithFault(safety + "on_delay = \"1s\"\n"), "15", "recorded at once");
  ExpectRefused(WithFault(safety + "off_delay = \"1s\"\n"), "15", "recorded at once");
  ExpectAccepted(WithFault(safety + "on_delay = \"0s\"\n"));
  ExpectRefused(
      Modbus("[[delay]]\nclass = \"safety_circuit.guard_open\"\non_delay = \"1s\"\n" + std::string(kSignals)),
      "5", "safety class");

  const Parsed general =
      Parse(Modbus("[[delay]]\non_delay = \"2s\"\n" + std::string(kSignals) + "[[fault]]\n" + safety +
                   "[[fault]]\nclass = \"drive.travel_timeout\"\nsignal = \"word\"\n"));
  ASSERT_NE(general.book, nullptr) << ::testing::PrintToString(general.faults);
  EXPECT_EQ(general.book->faults[0].on_delay, absl::ZeroDuration());
  EXPECT_EQ(general.book->faults[1].on_delay, absl::Seconds(2));
}

TEST(CodeBookTest, DelayOfTheFaultGoesBeforeItsClassAndThatBeforeAll) {
  const std::string delays =
      "[[delay]]\non_delay = \"1s\"\noff_delay = \"9s\"\n[[delay]]\nclass = \"drive.travel_timeout\"\non_delay = "
      "\"2s\"\n";
  const Parsed parsed = Parse(
      Modbus(delays + kSignals +
             "[[fault]]\nclass = \"drive.travel_timeout\"\nsignal = \"word\"\nbit = 0\n"
             "[[fault]]\nclass = \"drive.travel_timeout\"\nsignal = \"word\"\nbit = 1\non_delay = \"3s\"\n"
             "[[fault]]\nclass = \"dosing.empty\"\nsignal = \"word\"\nbit = 2\n"));
  ASSERT_NE(parsed.book, nullptr) << ::testing::PrintToString(parsed.faults);
  EXPECT_EQ(parsed.book->faults[0].on_delay, absl::Seconds(2));
  EXPECT_EQ(parsed.book->faults[0].off_delay, absl::Seconds(9));
  EXPECT_EQ(parsed.book->faults[1].on_delay, absl::Seconds(3));
  EXPECT_EQ(parsed.book->faults[2].on_delay, absl::Seconds(1));
}

TEST(CodeBookTest, DelaysAreBounded) {
  const std::string fault = "class = \"drive.travel_timeout\"\nsignal = \"stop\"\n";
  ExpectAccepted(WithFault(fault + "on_delay = \"55m\"\n"));
  ExpectRefused(WithFault(fault + "on_delay = \"56m\"\n"), "15", "55m");
  ExpectRefused(WithFault(fault + "on_delay = \"-1s\"\n"), "15", "expected a duration");
  ExpectRefused(WithFault(fault + "on_delay = 5\n"), "15", "expected a duration");
}

TEST(CodeBookTest, UnknownKeysAreRefused) {
  ExpectRefused(WithFault("class = \"drive.travel_timeout\"\nsignal = \"stop\"\nprioritty = 3\n"), "15",
                "no key \"prioritty\"");
  ExpectRefused(Modbus("colour = \"red\"\n" + std::string(kSignals)), "4", "no key \"colour\"");
  ExpectAccepted(Modbus(kSignals));
}

TEST(CodeBookTest, DuplicatesAreRefused) {
  ExpectRefused("name = \"a\"\nname = \"b\"\n", "2", "not TOML");
  ExpectRefused(Modbus("[[signal]]\nname = \"a\"\ntable = \"coil\"\naddress = 1\n"
                       "[[signal]]\nname = \"a\"\ntable = \"coil\"\naddress = 2\n"),
                "9", "second signal \"a\"");
  ExpectAccepted(
      Modbus("[[signal]]\nname = \"a\"\ntable = \"coil\"\naddress = 1\n"
             "[[signal]]\nname = \"b\"\ntable = \"coil\"\naddress = 1\n"));
  const std::string fault = "class = \"drive.travel_timeout\"\nsignal = \"word\"\nbit = 1\n";
  ExpectRefused(WithFault(fault + "[[fault]]\nclass = \"dosing.empty\"\nsignal = \"word\"\nbit = 1\n"), "18",
                "maps this already");
  ExpectAccepted(WithFault(fault + "[[fault]]\nclass = \"dosing.empty\"\nsignal = \"word\"\nbit = 2\n"));
  ExpectRefused(
      Modbus("[[delay]]\non_delay = \"1s\"\n[[delay]]\non_delay = \"2s\"\n" + std::string(kSignals)), "6",
      "second [[delay]]");
}

TEST(CodeBookTest, AddressesAndBitsHaveTheirRanges) {
  const auto signal = [](const std::string& keys) { return Modbus("[[signal]]\nname = \"s\"\n" + keys); };
  ExpectAccepted(signal("table = \"coil\"\naddress = 65535\n"));
  ExpectRefused(signal("table = \"coil\"\naddress = 65536\n"), "7", "0 to 65535");
  ExpectRefused(signal("table = \"coil\"\naddress = -1\n"), "7", "0 to 65535");
  ExpectRefused(signal("table = \"coils\"\naddress = 1\n"), "6", "discrete_input");
  ExpectRefused(signal("table = \"coil\"\n"), "4", "no \"address\"");
  ExpectAccepted(signal("table = \"holding_register\"\naddress = 65534\ntype = \"u32\"\n"));
  ExpectRefused(signal("table = \"holding_register\"\naddress = 65535\ntype = \"u32\"\n"), "7",
                "two registers");
  ExpectAccepted(signal("table = \"holding_register\"\naddress = 1\nbit = 15\n"));
  ExpectRefused(signal("table = \"holding_register\"\naddress = 1\nbit = 16\n"), "8", "0 to 15");
  ExpectAccepted(signal("table = \"holding_register\"\naddress = 1\ntype = \"u32\"\nbit = 31\n"));
  ExpectRefused(signal("table = \"coil\"\naddress = 1\nbit = 0\n"), "8", "is one bit");
  ExpectRefused(signal("table = \"holding_register\"\naddress = 1\nword_order = \"low_first\"\n"), "8",
                "u32");
  ExpectRefused(signal("table = \"holding_register\"\naddress = 1\ninverted = true\n"), "8", "single bit");
  ExpectAccepted(signal("table = \"discrete_input\"\naddress = 1\ninverted = true\n"));
}

TEST(CodeBookTest, FaultsNameSignalsThatExistAndValuesThatTheyReach) {
  const std::string fault = "class = \"drive.travel_timeout\"\n";
  ExpectRefused(WithFault(fault + "signal = \"wrd\"\n"), "14", "no signal \"wrd\"");
  ExpectRefused(WithFault(fault + "signal = \"stop\"\nbit = 0\n"), "15", "single bit already");
  ExpectRefused(WithFault(fault + "signal = \"word\"\nbit = 16\n"), "15", "bits 0 to 15");
  ExpectRefused(WithFault(fault + "signal = \"word\"\nequals = 65536\n"), "15", "reaches 65535");
  ExpectRefused(WithFault(fault + "signal = \"word\"\nequals = 1\nbit = 1\n"), "15", "exclude each other");
  ExpectAccepted(WithFault(fault + "signal = \"word\"\nequals = 65535\n"));
  ExpectRefused(WithFault(fault), "12", "no \"signal\"");
}

TEST(CodeBookTest, CodeRegisterKeepsUnmappedCodesApart) {
  const std::string code =
      "[[signal]]\nname = \"code\"\ntable = \"holding_register\"\naddress = 1\nholds = \"code\"\nno_fault = 99\n";
  const std::string fault = "[[fault]]\nclass = \"drive.travel_timeout\"\nsignal = \"code\"\n";
  ExpectRefused(Modbus(code + fault), "12", "say which with equals");
  ExpectRefused(Modbus(code + fault + "equals = 99\n"), "13", "no_fault");
  const Parsed parsed = Parse(Modbus(code + fault + "equals = 7\n"));
  ASSERT_NE(parsed.book, nullptr) << ::testing::PrintToString(parsed.faults);
  ASSERT_EQ(parsed.book->faults.size(), 2u);
  EXPECT_EQ(parsed.book->faults[0].raw_code, "7");
  EXPECT_EQ(parsed.book->faults[1].fault_class, v1::FAULT_CLASS_UNCLASSIFIED_FAULT);
  ASSERT_EQ(parsed.book->modbus.codes.size(), 1u);
  EXPECT_EQ(parsed.book->modbus.codes[0].no_fault, 99u);
  EXPECT_EQ(parsed.book->modbus.codes[0].unclassified, 1u);
}

TEST(CodeBookTest, CycleAndModeOfModbus) {
  const std::string good =
      "[cycle]\nrunning = \"stop\"\naborted = { signal = \"word\", bit = 2 }\nprogramme = \"word\"\nlongest = "
      "\"20m\"\n"
      "[cycle.programmes]\n1 = \"basic\"\n[mode]\noccupied = { signal = \"stop\", inverted = true }\n"
      "[[mode.closed]]\nsignal = \"word\"\nequals = 3\nreason = \"frost\"\n";
  const Parsed parsed = Parse(Modbus(kSignals + good));
  ASSERT_NE(parsed.book, nullptr) << ::testing::PrintToString(parsed.faults);
  const ModbusBook& book = parsed.book->modbus;
  ASSERT_TRUE(book.cycle.has_value());
  EXPECT_EQ(book.cycle->programmes.at(1), "basic");
  EXPECT_EQ(book.cycle->longest, absl::Minutes(20));
  ASSERT_TRUE(book.cycle->aborted.has_value());
  EXPECT_TRUE(book.cycle->aborted->Holds(4));
  ASSERT_TRUE(book.occupied.has_value());
  EXPECT_TRUE(book.occupied->Holds(0));
  ASSERT_EQ(book.closed.size(), 1u);
  EXPECT_EQ(book.closed[0].reason, v1::MODE_REASON_FROST);

  ExpectRefused(Modbus(std::string(kSignals) + "[cycle]\nrunning = \"stop\"\n"), "12", "longest");
  ExpectRefused(Modbus(std::string(kSignals) + "[cycle]\nrunning = \"stop\"\nlongest = \"1s\"\n"), "14",
                "10s");
  ExpectRefused(Modbus(std::string(kSignals) + "[cycle]\nlongest = \"20m\"\n"), "12", "running");
  ExpectRefused(Modbus(std::string(kSignals) + "[[mode.closed]]\nsignal = \"stop\"\nreason = \"rain\"\n"),
                "14", "water_restriction");
  ExpectRefused(Modbus(std::string(kSignals) + "[[mode.closed]]\nsignal = \"stop\"\n"), "12", "reason");
}

TEST(CodeBookTest, LinesMapFieldsToFaults) {
  const std::string fault = "[[fault]]\nclass = \"dosing.empty\"\n";  // lines 8, 9
  const Parsed parsed = Parse(Lines(fault + "code = \"E07\"\n[[fault]]\nclass = \"drive.travel_timeout\"\n"
                                            "when = { \"/unit/axis\" = 3, \"/late\" = true }\n"));
  ASSERT_NE(parsed.book, nullptr) << ::testing::PrintToString(parsed.faults);
  const LinesBook& book = parsed.book->lines;
  EXPECT_THAT(book.faults.at(0), ElementsAre(FieldTest{"/code", Scalar(std::string("E07"))}));
  EXPECT_THAT(book.faults.at(1), ElementsAre(FieldTest{"/unit/axis", Scalar(std::int64_t{3})},
                                             FieldTest{"/late", Scalar(true)}));
  EXPECT_EQ(parsed.book->faults.at(0).raw_code, "E07");
  EXPECT_EQ(book.unclassified, 2u);

  ExpectRefused(Lines(fault), "8", "exactly one of them");
  ExpectRefused(Lines(fault + "code = \"E07\"\nwhen = { \"/a\" = 1 }\n"), "10", "exactly one of them");
  ExpectRefused(Lines(fault + "when = { \"a\" = 1 }\n"), "10", "JSON pointer");
  ExpectRefused(Lines(fault + "when = { \"/a\" = 1.5 }\n"), "10", "whole number");
  ExpectRefused(Lines(fault + "code = \"E07\"\n" + fault + "code = \"E07\"\n"), "13", "already");
  ExpectRefused(
      "name = \"b\"\nversion = \"1\"\nsource = \"lines\"\n[[fault]]\nclass = \"dosing.empty\"\n"
      "when = { \"/a\" = 1 }\n",
      "4", "raised and cleared");
}

TEST(CodeBookTest, SnapshotLinesNeedCodes) {
  const std::string snapshot = "[snapshot]\nwhen = { \"/kind\" = \"report\" }\nfaults = \"/active\"\n";
  ExpectAccepted(Lines("[[fault]]\nclass = \"dosing.empty\"\ncode = 4\n" + snapshot));
  ExpectRefused(Lines("[[fault]]\nclass = \"dosing.empty\"\nwhen = { \"/a\" = 1 }\n" + snapshot), "12",
                "by \"code\"");
}

TEST(CodeBookTest, TellsEveryFault) {
  const Parsed parsed =
      Parse("version = 1\nsource = \"modbus\"\n[[signal]]\nname = \"a\"\ntable = \"x\"\naddress = -5\n");
  EXPECT_EQ(parsed.book, nullptr);
  EXPECT_THAT(parsed.faults, ElementsAre(HasSubstr("book.toml:1: the code book has no \"name\""),
                                         HasSubstr("book.toml:1: version"), HasSubstr("book.toml:5: table"),
                                         HasSubstr("book.toml:6: address")));
}

TEST(CodeBookTest, FileThatCannotBeReadIsNamed) {
  std::vector<std::string> faults;
  EXPECT_EQ(ReadCodeBook("/nonexistent/book.toml", faults), nullptr);
  EXPECT_THAT(faults, ElementsAre(StartsWith("/nonexistent/book.toml:1: the code book cannot be read")));
}

// FIPS 180-2 (2002), appendix B.1: the one-block message "abc".
TEST(DigestTest, OfABC) {
  EXPECT_EQ(Sha256Hex("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  Sha256 sha;
  sha.Add("a");
  const Sha256 copy = sha;
  sha.Add("bc");
  EXPECT_EQ(sha.Hex(), Sha256Hex("abc"));
  EXPECT_EQ(copy.Hex(), Sha256Hex("a"));
}

}  // namespace
}  // namespace bayward
