// Time accounts as rows of an availability report, and what its reader must be told beside them. Pure: any
// thread may call.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "bayward/v1/figures.pb.h"
#include "server/api/target_budget.h"
#include "server/figures/availability.h"

namespace bayward {

// One group: sums over its machines.
struct GroupAccount {
  std::string group = {};
  std::uint32_t machines = 0;
  std::uint32_t provisional_machines = 0;
  TimeAccount account = {};
  TargetAccount target = {};

  void Add(const TimeAccount& machine);
};

// `confidence` of the two-sided limits of the mean operating time between failures, in (0, 1);
// InvalidArgument otherwise.
absl::StatusOr<v1::AvailabilityRow> MakeAvailabilityRow(const GroupAccount& group, double confidence);

struct ReportFacts {
  bool by_date = false;        // the window has dates
  bool demonstration = false;  // of the fleet
  std::string tzdata_version;
};

// Agreements and limits, one sentence or two each.
std::vector<std::string> AvailabilityNotes(const GroupAccount& total, const std::vector<GroupAccount>& groups,
                                           const ReportFacts& facts);

// The notes that every report over a window needs.
std::vector<std::string> CommonNotes(const GroupAccount& total, const ReportFacts& facts);

// "12.5 h".
std::string HoursText(absl::Duration duration);

}  // namespace bayward
