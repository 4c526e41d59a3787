// What chance alone leaves open of availability, gathered while timelines are read and put into the rows of a report
// at the end. One object, one thread.
#pragma once

#include <map>
#include <string>
#include <utility>

#include "absl/status/status.h"
#include "absl/time/civil_time.h"
#include "bayward/v1/figures.pb.h"
#include "server/figures/availability.h"
#include "server/model/fleet.h"
#include "server/model/interval.h"
#include "server/statistics/bootstrap.h"

namespace bayward {

class SamplingIntervals {
 public:
  // Not `asked`: Add and Fill do nothing.
  SamplingIntervals(bool asked, v1::Grouping grouping) : asked_(asked), grouping_(grouping) {}

  void Add(const Site& site, const Machine& machine, const MachineTimeline& timeline, const Interval& window);

  // Sets sampling_low, sampling_high and sampled_over of the rows and of the total, which have their groups, machines
  // and outages already, and says in a note what they are. A group of one machine is resampled over its civil weeks,
  // one of several over its sites and over civil days.
  absl::Status Fill(v1::GetAvailabilityResponse& response) const;

 private:
  using Times = std::map<std::pair<int, absl::CivilDay>, UpDown>;  // by site and its civil day

  static absl::Status FillRow(const Times& times, v1::AvailabilityRow& row);

  const bool asked_;
  const v1::Grouping grouping_;
  std::map<std::string, Times> groups_;
  Times total_;
};

}  // namespace bayward
