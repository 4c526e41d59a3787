#include "server/api/figures_handlers.h"

#include <algorithm>
#include <map>
#include <utility>
#include <vector>

#include "proto/common/status.h"
#include "server/api/figures_question.h"
#include "server/api/grouping.h"
#include "server/api/timeline_reader.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.90;

absl::StatusOr<double> ConfidenceOf(const v1::GetAvailabilityRequest& request) {
  const double confidence = request.confidence();
  if (confidence == 0) return kDefaultConfidence;
  if (!(confidence > 0 && confidence < 1)) {
    return InvalidArgument("confidence: expected a number between 0 and 1 such as 0.9, found {}", confidence);
  }
  return confidence;
}

}  // namespace

absl::StatusOr<v1::GetAvailabilityResponse> FiguresHandlers::GetAvailability(
    const Caller&, const v1::GetAvailabilityRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const double confidence, ConfidenceOf(request));
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping, GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));

  std::map<std::string, GroupAccount> by_group;
  GroupAccount total{.group = "total"};
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        const TimeAccount account = ComputeAccount(*timeline, question.WindowOf(machine));
        const std::string group = GroupOf(grouping, *question.fleet->FindSite(machine.site), machine);
        by_group.try_emplace(group, GroupAccount{.group = group}).first->second.Add(account);
        total.Add(account);
      }));

  v1::GetAvailabilityResponse response;
  std::vector<GroupAccount> groups;
  for (auto& [name, group] : by_group) {
    BAYWARD_ASSIGN_OR_RETURN(*response.add_rows(), MakeAvailabilityRow(group, confidence));
    groups.push_back(std::move(group));
  }
  BAYWARD_ASSIGN_OR_RETURN(*response.mutable_total(), MakeAvailabilityRow(total, confidence));
  response.set_from_us(absl::ToUnixMicros(question.windows.hull.start));
  response.set_to_us(absl::ToUnixMicros(question.windows.hull.end));
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  response.set_tzdata_version(sources_.tzdata_version);
  response.set_confidence(confidence);
  for (std::string& note : AvailabilityNotes(total, groups, FactsOf(question, sources_))) {
    response.add_notes(std::move(note));
  }
  return response;
}

}  // namespace bayward
