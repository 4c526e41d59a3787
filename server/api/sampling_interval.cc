#include "server/api/sampling_interval.h"

#include <algorithm>
#include <cstddef>
#include <optional>
#include <vector>

#include "proto/common/status.h"
#include "server/api/grouping.h"
#include "server/api/periods.h"

namespace bayward {
namespace {

using SitesAndDays = std::map<std::pair<int, absl::CivilDay>, UpDown>;

const char* OverWords(ResampledOver over) {
  switch (over) {
    case ResampledOver::kWeeks:
      return "weeks";
    case ResampledOver::kSites:
      return "sites";
    case ResampledOver::kDays:
      return "days";
  }
  return "";
}

std::vector<UpDown> ByWeek(const SitesAndDays& times) {
  std::map<absl::CivilDay, UpDown> weeks;
  for (const auto& [place, time] : times) {
    UpDown& week = weeks[absl::PrevWeekday(place.second + 1, absl::Weekday::monday)];
    week.up += time.up;
    week.down += time.down;
  }
  std::vector<UpDown> out;
  for (const auto& [monday, week] : weeks) out.push_back(week);
  return out;
}

struct Placed {
  std::vector<PlacedUpDown> times;
  std::size_t sites = 0;
  std::size_t days = 0;
};

Placed Place(const SitesAndDays& times) {
  Placed placed;
  std::map<int, std::size_t> sites;
  absl::CivilDay first = absl::CivilDay::max();
  for (const auto& [place, time] : times) first = std::min(first, place.second);
  for (const auto& [place, time] : times) {
    const std::size_t site = sites.try_emplace(place.first, sites.size()).first->second;
    const auto day = static_cast<std::size_t>(place.second - first);
    placed.times.push_back({site, day, time});
    placed.days = std::max(placed.days, day + 1);
  }
  placed.sites = sites.size();
  return placed;
}

}  // namespace

void SamplingIntervals::Add(const Site& site, const Machine& machine, const MachineTimeline& timeline,
                            const Interval& window) {
  if (!asked_) return;
  Times& group = groups_[GroupOf(grouping_, site, machine)];
  for (const Period& day : PeriodsOf(site.calendar, window, {.step = v1::STEP_DAY})) {
    TimeAccount account;
    AddConditions(timeline.conditions, day.interval, account);
    for (Times* times : {&group, &total_}) {
      UpDown& sum = (*times)[{site.id.value, day.first}];
      sum.up += account.observed_up();
      sum.down += account.down;
    }
  }
}

absl::Status SamplingIntervals::FillRow(const Times& times, v1::AvailabilityRow& row) {
  const BootstrapOptions options;
  const int outages = static_cast<int>(row.outages());
  std::optional<AvailabilityInterval> interval;
  if (row.machines() == 1) {
    BAYWARD_ASSIGN_OR_RETURN(interval, BootstrapMachineAvailability(ByWeek(times), outages, options));
  } else {
    const Placed placed = Place(times);
    BAYWARD_ASSIGN_OR_RETURN(interval,
                             BootstrapFleetAvailability(placed.times, placed.sites, placed.days, outages, options));
  }
  row.set_sampled_over(interval ? OverWords(interval->over) : kBootstrapTooFew);
  if (!interval) return absl::OkStatus();
  row.set_sampling_low(interval->lower);
  row.set_sampling_high(interval->upper);
  return absl::OkStatus();
}

absl::Status SamplingIntervals::Fill(v1::GetAvailabilityResponse& response) const {
  if (!asked_) return absl::OkStatus();
  for (v1::AvailabilityRow& row : *response.mutable_rows()) {
    const auto times = groups_.find(row.group());
    BAYWARD_RETURN_IF_ERROR(FillRow(times == groups_.end() ? Times() : times->second, row));
  }
  BAYWARD_RETURN_IF_ERROR(FillRow(total_, *response.mutable_total()));
  response.add_notes(
      "What chance leaves open: 95 % of the availabilities that come out when the weeks of one machine, or the sites "
      "and the days of several, are drawn anew from those that were, the wider of the two. With fewer than 26 weeks "
      "it covers somewhat less. It does not contain what unknown time leaves open.");
  return absl::OkStatus();
}

}  // namespace bayward
