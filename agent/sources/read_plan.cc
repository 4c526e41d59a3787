#include "agent/sources/read_plan.h"

#include <algorithm>
#include <numeric>

namespace bayward {

ReadPlan PlanReads(const std::vector<ModbusSignal>& signals, unsigned gap) {
  std::vector<std::size_t> order(signals.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&signals](std::size_t a, std::size_t b) {
    return signals[a].table != signals[b].table ? signals[a].table < signals[b].table
                                                : signals[a].address < signals[b].address;
  });

  ReadPlan plan;
  plan.places.resize(signals.size());
  for (std::size_t index : order) {
    const ModbusSignal& signal = signals[index];
    const unsigned first = signal.address;
    const unsigned end = first + signal.width();
    const unsigned gap_max = IsBits(signal.table) ? gap * 16 : gap;
    const unsigned count_max = IsBits(signal.table) ? kBitsMax : kRegistersMax;
    bool shares = false;
    if (!plan.requests.empty() && plan.requests.back().table == signal.table) {
      ReadRequest& last = plan.requests.back();
      const unsigned last_end = unsigned{last.address} + last.count;
      const unsigned merged_end = std::max(last_end, end);
      shares = first <= last_end + gap_max && merged_end - last.address <= count_max;
      if (shares) last.count = static_cast<std::uint16_t>(merged_end - last.address);
    }
    if (!shares)
      plan.requests.push_back({signal.table, signal.address, static_cast<std::uint16_t>(end - first)});
    plan.places[index] = {plan.requests.size() - 1, first - plan.requests.back().address};
  }
  return plan;
}

std::uint32_t ValueOf(const ModbusSignal& signal, const std::vector<std::uint16_t>& answer,
                      std::size_t offset) {
  std::uint32_t value = answer[offset];
  if (!IsBits(signal.table) && signal.type == NumberType::kU32HighWordFirst) {
    value = (value << 16) | answer[offset + 1];
  } else if (!IsBits(signal.table) && signal.type == NumberType::kU32LowWordFirst) {
    value |= static_cast<std::uint32_t>(answer[offset + 1]) << 16;
  }
  if (signal.bit.has_value()) value = (value >> *signal.bit) & 1U;
  if (signal.inverted) value = value == 0 ? 1 : 0;
  return value;
}

}  // namespace bayward
