// One group's ranking as rows of an answer, with gain and the window before where asked for. Pure: any thread may call.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "bayward/v1/figures.pb.h"
#include "server/figures/ranking.h"

namespace bayward {

// Machines of one group, each with its window.
class RankedGroup {
 public:
  void Add(std::shared_ptr<const MachineTimeline> timeline, const Interval& window);

  // In order of rank.
  std::vector<v1::RankingRow> Rows(const std::string& group, RankBy by, const v1::RankFaultsRequest& asked) const;

 private:
  std::vector<const MachineTimeline*> Machines() const;
  void AddGain(std::vector<v1::RankingRow>& rows) const;
  void AddWindowBefore(std::vector<v1::RankingRow>& rows) const;

  std::vector<std::shared_ptr<const MachineTimeline>> timelines_;
  std::vector<Interval> windows_;
};

// As long a window, in elapsed time, just before.
Interval WindowBefore(const Interval& window);

// "air_supply.pressure_low", or what stands for no class.
std::string RankingName(FaultClassNumber fault_class);

}  // namespace bayward
