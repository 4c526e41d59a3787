#include "agent/sources/read_plan.h"

#include <vector>

#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace bayward {
namespace {

using ::testing::ElementsAre;

ModbusSignal Register(unsigned address, NumberType type = NumberType::kU16) {
  ModbusSignal signal;
  signal.table = ModbusTable::kHoldingRegister;
  signal.address = static_cast<std::uint16_t>(address);
  signal.type = type;
  return signal;
}
ModbusSignal Coil(unsigned address) {
  ModbusSignal signal;
  signal.table = ModbusTable::kCoil;
  signal.address = static_cast<std::uint16_t>(address);
  return signal;
}
ReadRequest Holding(unsigned address, unsigned count) {
  return {ModbusTable::kHoldingRegister, static_cast<std::uint16_t>(address),
          static_cast<std::uint16_t>(count)};
}
ReadRequest Coils(unsigned address, unsigned count) {
  return {ModbusTable::kCoil, static_cast<std::uint16_t>(address), static_cast<std::uint16_t>(count)};
}

TEST(ReadPlanTest, NeighboursShareARequestWhateverTheirOrder) {
  const ReadPlan plan = PlanReads({Register(12), Register(10), Register(11), Register(10)}, 0);
  EXPECT_THAT(plan.requests, ElementsAre(Holding(10, 3)));
  EXPECT_EQ(plan.places[0].offset, 2u);
  EXPECT_EQ(plan.places[1].offset, 0u);
  EXPECT_EQ(plan.places[3].offset, 0u);
}

TEST(ReadPlanTest, GapUpToTheThresholdIsReadAlong) {
  EXPECT_THAT(PlanReads({Register(10), Register(27)}, 16).requests, ElementsAre(Holding(10, 18)));
  EXPECT_THAT(PlanReads({Register(10), Register(28)}, 16).requests,
              ElementsAre(Holding(10, 1), Holding(28, 1)));
  EXPECT_THAT(PlanReads({Register(10), Register(12)}, 0).requests,
              ElementsAre(Holding(10, 1), Holding(12, 1)));
}

TEST(ReadPlanTest, RequestHasAtMost125Registers) {
  std::vector<ModbusSignal> signals;
  for (unsigned i = 0; i < 126; ++i) signals.push_back(Register(i));
  const ReadPlan plan = PlanReads(signals, 0);
  EXPECT_THAT(plan.requests, ElementsAre(Holding(0, 125), Holding(125, 1)));
  EXPECT_EQ(plan.places[125].request, 1u);
  EXPECT_EQ(plan.places[125].offset, 0u);
}

TEST(ReadPlanTest, WideNumberIsNeverCutInTwo) {
  const ReadPlan plan = PlanReads({Register(0), Register(124, NumberType::kU32HighWordFirst)}, 125);
  EXPECT_THAT(plan.requests, ElementsAre(Holding(0, 1), Holding(124, 2)));
}

TEST(ReadPlanTest, RequestHasAtMost2000Bits) {
  EXPECT_THAT(PlanReads({Coil(0), Coil(1999)}, 200).requests, ElementsAre(Coils(0, 2000)));
  EXPECT_THAT(PlanReads({Coil(0), Coil(2000)}, 200).requests, ElementsAre(Coils(0, 1), Coils(2000, 1)));
}

TEST(ReadPlanTest, BitsMayLie16TimesAsFarApart) {
  EXPECT_THAT(PlanReads({Coil(0), Coil(17)}, 1).requests, ElementsAre(Coils(0, 18)));
  EXPECT_THAT(PlanReads({Coil(0), Coil(18)}, 1).requests, ElementsAre(Coils(0, 1), Coils(18, 1)));
}

TEST(ReadPlanTest, TablesAreNeverMixed) {
  ModbusSignal input = Register(10);
  input.table = ModbusTable::kInputRegister;
  EXPECT_EQ(PlanReads({Register(10), input, Coil(10)}, 60).requests.size(), 3u);
}

TEST(ReadPlanTest, LastAddressCanBeRead) {
  EXPECT_THAT(PlanReads({Register(65535), Register(65500)}, 60).requests, ElementsAre(Holding(65500, 36)));
}

TEST(ReadPlanTest, HundredSignalsAreFewRequests) {
  std::vector<ModbusSignal> signals;
  for (unsigned i = 0; i < 60; ++i) signals.push_back(Coil(100 + 3 * i));
  for (unsigned i = 0; i < 40; ++i) signals.push_back(Register(400 + 2 * i));
  EXPECT_EQ(PlanReads(signals, 16).requests.size(), 2u);
}

TEST(ReadPlanTest, ValuesOfBothWordOrders) {
  EXPECT_EQ(ValueOf(Register(0), {0x1234, 0x5678}, 1), 0x5678u);
  EXPECT_EQ(ValueOf(Register(0, NumberType::kU32HighWordFirst), {0x1234, 0x5678}, 0), 0x12345678u);
  EXPECT_EQ(ValueOf(Register(0, NumberType::kU32LowWordFirst), {0x1234, 0x5678}, 0), 0x56781234u);
}

TEST(ReadPlanTest, BitOfANumberAndItsInversion) {
  ModbusSignal bit = Register(0, NumberType::kU32HighWordFirst);
  bit.bit = 31;
  EXPECT_EQ(ValueOf(bit, {0x8000, 0}, 0), 1u);
  EXPECT_EQ(ValueOf(bit, {0x7FFF, 0xFFFF}, 0), 0u);
  bit.inverted = true;
  EXPECT_EQ(ValueOf(bit, {0x8000, 0}, 0), 0u);
  EXPECT_EQ(ValueOf(bit, {0x7FFF, 0}, 0), 1u);
}

}  // namespace
}  // namespace bayward
