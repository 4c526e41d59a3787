#include <string>
#include <utility>

#include "absl/container/flat_hash_map.h"
#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/kept_timelines.h"
#include "server/api/shared_timelines.h"
#include "server/figures/repeats.h"

namespace bayward {
namespace {

constexpr double kDefaultConfidence = 0.95;

absl::StatusOr<RepeatGrouping> GroupingOf(v1::RepeatGrouping asked) {
  switch (asked) {
    case v1::REPEAT_GROUPING_UNSPECIFIED:
    case v1::REPEAT_GROUPING_CLASS: return RepeatGrouping::kClass;
    case v1::REPEAT_GROUPING_ALL: return RepeatGrouping::kAll;
    case v1::REPEAT_GROUPING_MACHINE: return RepeatGrouping::kMachine;
    case v1::REPEAT_GROUPING_MACHINE_AND_CLASS: return RepeatGrouping::kMachineAndClass;
    default:
      return InvalidArgument("grouping: expected all, class, machine or machine and class, found {}",
                             static_cast<int>(asked));
  }
}

std::uint32_t Count(int count) { return static_cast<std::uint32_t>(count); }

using Names = absl::flat_hash_map<MachineId, std::string>;

v1::RepeatFaultRow ToProto(const RepeatRow& row, const Names& names) {
  v1::RepeatFaultRow out;
  out.set_rank(Count(row.rank));
  if (row.machine) out.set_machine(names.at(*row.machine));
  if (row.fault_class) {
    out.set_name(FaultClassName(*row.fault_class));
    out.set_fault_class(static_cast<v1::FaultClass>(*row.fault_class));
  }
  out.set_restored(Count(row.restored));
  out.set_followed(Count(row.followed));
  out.set_repeats(Count(row.repeats));
  out.set_held(Count(row.held));
  out.set_no_wash(Count(row.no_wash));
  if (row.rate) out.set_rate(*row.rate);
  if (row.lower) out.set_rate_lower(*row.lower);
  if (row.upper) out.set_rate_upper(*row.upper);
  return out;
}

v1::SoreRow ToProto(const Sore& sore, const Names& names) {
  v1::SoreRow out;
  out.set_machine(names.at(sore.machine));
  out.set_name(FaultClassName(sore.fault_class));
  out.set_fault_class(static_cast<v1::FaultClass>(sore.fault_class));
  out.set_outages(Count(sore.outages));
  out.set_failures(Count(sore.failures));
  out.set_first_us(absl::ToUnixMicros(sore.first));
  out.set_last_us(absl::ToUnixMicros(sore.last));
  out.set_until_us(absl::ToUnixMicros(sore.until));
  out.set_open(sore.open);
  out.set_down_seconds(absl::ToDoubleSeconds(sore.down));
  return out;
}

}  // namespace

absl::StatusOr<v1::RankRepeatsResponse> FiguresHandlers::RankRepeats(
    const Caller&, const v1::RankRepeatsRequest& request) const {
  RepeatOptions options;
  BAYWARD_ASSIGN_OR_RETURN(options.confidence, ConfidenceOr(request.confidence(), kDefaultConfidence));
  BAYWARD_ASSIGN_OR_RETURN(options.grouping, GroupingOf(request.grouping()));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  BAYWARD_ASSIGN_OR_RETURN(const SharedTimelines kept, ShareTimelines(sources_, question));
  Names names;
  for (const Machine* machine : kept.machines) names[machine->id] = machine->full_name;
  BAYWARD_ASSIGN_OR_RETURN(const auto rows,
                           bayward::RankRepeats(kept.pointers(), kept.windows, question.now, options));
  BAYWARD_ASSIGN_OR_RETURN(const auto sores, FindSores(kept.pointers(), question.windows.hull, question.now));
  v1::RankRepeatsResponse response;
  for (const RepeatRow& row : rows) *response.add_rows() = ToProto(row, names);
  for (const Sore& sore : sores) *response.add_sores() = ToProto(sore, names);
  SetWindow(question, response);
  response.set_confidence(options.confidence);
  response.add_notes(
      "A repeat begins less than 72 h after an outage with the same first fault was restored on that machine. "
      "Counted are only those that were watched for 72 h after, so that every one had its chance.");
  response.add_notes(
      "Without a repeat, but without a wash either, is no success. The limits take repeats as independent.");
  for (std::string& note : CommonNotes(kept.Provisional(), FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
