// The part of a code book that reads a Modbus controller: which values, and what they mean. Value types.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "bayward/v1/event.pb.h"

namespace bayward {

enum class ModbusTable { kCoil, kDiscreteInput, kInputRegister, kHoldingRegister };

inline bool IsBits(ModbusTable table) {
  return table == ModbusTable::kCoil || table == ModbusTable::kDiscreteInput;
}

enum class NumberType { kU16, kU32HighWordFirst, kU32LowWordFirst };

// A value as it is read; raw values are widened to 32 bits, a single bit is 0 or 1.
struct ModbusSignal {
  std::string name;
  ModbusTable table = ModbusTable::kCoil;
  std::uint16_t address = 0;  // as on the wire, from 0
  NumberType type = NumberType::kU16;
  std::optional<unsigned> bit;  // of the number, 0 the least significant
  bool inverted = false;        // a contact that is closed when all is well; only of a single bit

  unsigned width() const { return IsBits(table) || type == NumberType::kU16 ? 1 : 2; }
  bool single_bit() const { return IsBits(table) || bit.has_value(); }
};

// A yes-or-no question about a signal.
struct SignalTest {
  std::size_t signal = 0;  // index into ModbusBook::signals
  std::optional<unsigned> bit;
  std::optional<std::uint32_t> equals;
  bool inverted = false;

  bool Holds(std::uint32_t value) const {
    const bool yes = equals ? value == *equals : bit ? ((value >> *bit) & 1U) != 0 : value != 0;
    return yes != inverted;
  }
  bool operator==(const SignalTest&) const = default;
};

// A register that holds the code of the present fault. A code that no fault entry maps is
// `unclassified.fault`.
struct CodeSignal {
  std::size_t signal = 0;
  std::uint32_t no_fault = 0;      // its value when there is none
  std::set<std::uint32_t> mapped;  // codes that a fault entry names
  std::size_t unclassified = 0;    // index into CodeBook::faults
};

struct ModbusCycle {
  SignalTest running;
  std::optional<SignalTest> aborted;
  std::optional<std::size_t> programme;  // signal
  std::map<std::uint32_t, std::string> programmes;
  absl::Duration longest;
};

struct ModbusClosed {
  SignalTest when;
  v1::ModeReason reason = v1::MODE_REASON_OTHER;
};

struct ModbusBook {
  std::vector<ModbusSignal> signals;
  std::vector<SignalTest> faults;  // as the first ones of CodeBook::faults; those of `codes` follow
  std::vector<CodeSignal> codes;
  std::optional<ModbusCycle> cycle;
  std::vector<ModbusClosed> closed;  // the first that holds
  std::optional<SignalTest> occupied;
};

}  // namespace bayward
