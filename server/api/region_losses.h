// Losses of a region's machines out of its demand: gross by group, net by site, by the hour now, and by fault class.
// Pure: any thread may compute; one object, one thread.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/losses.pb.h"
#include "server/api/region_demand.h"
#include "server/figures/loss_backtest.h"
#include "server/figures/loss_ledger.h"

namespace bayward {

struct GrossSums {
  std::uint32_t machines = 0;
  double down_hours = 0;
  double withheld_hours = 0;
  LossSum down;
  LossSum withheld;
};

struct NetSums {
  LossSum all;
  double expected = 0;
  std::int64_t observed = 0;
  double down = 0;  // gross, by which the net loss is split
  double withheld = 0;
};

// Adds region after region to what is asked for; every draw has a seed of its own.
class LossDraws {
 public:
  explicit LossDraws(double confidence);

  using GroupName = std::function<std::string(const Site&, const Machine&)>;
  // Machines of the scope whose demand is known, by group.
  absl::Status AddGross(const RegionHistory& history, const RegionDemand& demand, const GroupName& group_of,
                        std::map<std::string, GrossSums>& groups);
  // Sites of the scope with all their machines, by key; those where nothing was down or withheld are left out.
  absl::Status AddNet(const RegionHistory& history, const RegionDemand& demand, absl::Time now,
                      std::map<std::string, NetSums>& sites);
  // Machines of the scope that are down or withheld now; none where demand is not known as of now.
  absl::Status AddNow(const RegionHistory& history, absl::Time now, std::vector<v1::LossNowRow>& rows);
  // Hidden blocks of the kHiddenWeeks before `end`, as long as the median outage with its aftermath: of the asked
  // sites, or where these are too few for a verdict of all sites; of many, some hundreds.
  absl::Status AddHidden(const RegionHistory& history, absl::Time end, std::vector<JudgedBlock>& judged);

 private:
  LossOptions Next();

  LossOptions options_;
};
inline constexpr int kHiddenWeeks = 12;

// Gross down losses by group and RankingName of the first-out class; down time whose demand is not known is left
// out.
using ClassLosses = std::map<std::pair<std::string, std::string>, MeanLoss>;
absl::Status AddClassLosses(const RegionHistory& history, const RegionDemand& demand,
                            const LossDraws::GroupName& group_of, ClassLosses& losses);

}  // namespace bayward
