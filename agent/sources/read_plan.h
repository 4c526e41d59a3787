// Merges the values that a code book names into few Modbus requests, and takes the values out of the answers.
// Pure and thread-safe.
#pragma once

#include <cstdint>
#include <vector>

#include "agent/codebook/modbus_book.h"

namespace bayward {

// Limits of one request: Modbus Application Protocol V1.1b3, 6.1 to 6.4.
inline constexpr unsigned kRegistersMax = 125;
inline constexpr unsigned kBitsMax = 2000;

struct ReadRequest {
  ModbusTable table = ModbusTable::kCoil;
  std::uint16_t address = 0;
  std::uint16_t count = 0;  // of registers or bits

  bool operator==(const ReadRequest&) const = default;
};

struct ReadPlan {
  struct Place {
    std::size_t request = 0;
    std::size_t offset = 0;  // of the value's first register or bit in the answer
  };
  std::vector<ReadRequest> requests;
  std::vector<Place> places;  // one for each signal
};

// Values of one table share a request as long as no more than `gap` registers (of bits: 16 times as many)
// that nobody asked for lie between them. Gap 0 reads only what is named.
ReadPlan PlanReads(const std::vector<ModbusSignal>& signals, unsigned gap);

// The value of `signal` from its request's answer, a register or a bit (0 or 1) in each element, at `offset`:
// the whole number, or the bit that the signal names, inverted where the signal says so.
std::uint32_t ValueOf(const ModbusSignal& signal, const std::vector<std::uint16_t>& answer,
                      std::size_t offset);

}  // namespace bayward
