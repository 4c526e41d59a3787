#include "server/api/timeline_reader.h"

#include <algorithm>
#include <utility>

#include "proto/common/status.h"

namespace bayward {
namespace {

// What an event tells of may lie before it: a loss of sight, a signal that changed before it was recorded.
constexpr absl::Duration kBeforeFirstEvent = absl::Hours(24);

}  // namespace

absl::Status TimelineReader::Read(std::span<const Machine* const> machines, const Visitor& visit) {
  for (std::size_t at = 0; at < machines.size(); at += kMachinesABatch) {
    const std::size_t count = std::min(kMachinesABatch, machines.size() - at);
    BAYWARD_RETURN_IF_ERROR(ReadBatch(machines.subspan(at, count), visit));
  }
  return absl::OkStatus();
}

absl::Status TimelineReader::ReadBatch(std::span<const Machine* const> machines, const Visitor& visit) {
  std::vector<MachineId> ids;
  for (const Machine* machine : machines) ids.push_back(machine->id);
  BAYWARD_ASSIGN_OR_RETURN(const absl::Time first, histories_.FirstEventAt(ids));
  const Interval extent{std::min(from_, first - kBeforeFirstEvent), now_};
  BAYWARD_ASSIGN_OR_RETURN(std::vector<MachineHistory> histories, histories_.Load(fleet_, ids, extent));
  if (histories.size() != machines.size()) {
    return Internal("{} histories were expected from the store, found {}", machines.size(), histories.size());
  }
  for (std::size_t i = 0; i < machines.size(); ++i) {
    visit(*machines[i], std::make_unique<MachineTimeline>(std::move(histories[i]), machines[i]->calendar,
                                                          extent, fleet_.demonstration));
  }
  return absl::OkStatus();
}

}  // namespace bayward
