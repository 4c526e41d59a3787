#include <algorithm>
#include <set>
#include <utility>
#include <vector>

#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/figures_question.h"
#include "server/api/shared_timelines.h"

namespace bayward {
namespace {

constexpr std::uint32_t kOutagesDefault = 200;
constexpr std::uint32_t kOutagesMax = 10'000;

struct FoundOutage {
  absl::Time began;
  EpochId epoch;
  v1::OutageRow row;
};

absl::StatusOr<std::set<FaultClassNumber>> ClassesOf(const v1::ListOutagesRequest& request) {
  std::set<FaultClassNumber> classes;
  for (const int number : request.fault_classes()) {
    if (FindFaultClass(number) == nullptr) {
      return InvalidArgument("fault_classes: expected the number of a fault class, found {}", number);
    }
    classes.insert(number);
  }
  return classes;
}

absl::StatusOr<std::size_t> RowsMaxOf(const v1::ListOutagesRequest& request) {
  if (request.rows_max() > kOutagesMax) {
    return InvalidArgument("rows_max: expected at most {}, found {}", kOutagesMax, request.rows_max());
  }
  return request.rows_max() == 0 ? kOutagesDefault : request.rows_max();
}

bool Touches(const Outage& outage, const Interval& window) {
  return !window.empty() && outage.interval.overlaps(window);
}

// Each class once, in the order raised.
void AddConsequential(const Outage& outage, v1::OutageRow& row) {
  std::set<FaultClassNumber> seen = {outage.first_out->fault_class};
  for (const Spell* spell : outage.consequential) {
    if (seen.insert(spell->fault_class).second) row.add_consequential(FaultClassName(spell->fault_class));
  }
}

v1::OutageRow ToProto(const Machine& machine, const Outage& outage) {
  const Spell& first = *outage.first_out;
  v1::OutageRow row;
  row.set_machine(machine.full_name);
  row.set_began_us(absl::ToUnixMicros(outage.interval.start));
  if (outage.interval.end != absl::InfiniteFuture())
    row.set_restored_us(absl::ToUnixMicros(outage.interval.end));
  row.set_restoration_censored(outage.restoration_censored);
  row.set_began_unobserved(outage.began_unobserved);
  row.set_found_at_opening(outage.found_at_opening);
  row.set_first_out_name(outage.order_observed ? FaultClassName(first.fault_class) : "order not observed");
  if (outage.order_observed) row.set_first_out(static_cast<v1::FaultClass>(first.fault_class));
  AddConsequential(outage, row);
  if (!outage.order_observed) row.mutable_consequential()->Add(FaultClassName(first.fault_class));
  row.set_down_seconds(absl::ToDoubleSeconds(outage.down));
  row.set_sequence(first.provenance.first.sequence);
  row.set_raw_code(first.raw_code);
  row.set_raw_text(first.raw_text);
  return row;
}

}  // namespace

absl::StatusOr<v1::ListOutagesResponse> FiguresHandlers::ListOutages(
    const Caller&, const v1::ListOutagesRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const std::set<FaultClassNumber> classes, ClassesOf(request));
  BAYWARD_ASSIGN_OR_RETURN(const std::size_t rows_max, RowsMaxOf(request));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));

  std::vector<FoundOutage> found;
  BAYWARD_ASSIGN_OR_RETURN(const SharedTimelines shared, ShareTimelines(sources_, question));
  for (std::size_t i = 0; i < shared.machines.size(); ++i) {
    for (const Outage& outage : shared.timelines[i].timeline->outages) {
      if (!Touches(outage, shared.windows[i])) continue;
      const bool asked =
          classes.empty() || (outage.order_observed && classes.contains(outage.first_out->fault_class));
      if (!asked) continue;
      found.push_back({outage.interval.start, outage.first_out->provenance.first.epoch,
                       ToProto(*shared.machines[i], outage)});
    }
  }
  // Machines come by name, so that equal instants keep that order.
  std::stable_sort(found.begin(), found.end(),
                   [](const FoundOutage& a, const FoundOutage& b) { return a.began > b.began; });
  v1::ListOutagesResponse response;
  response.set_total(static_cast<std::uint32_t>(found.size()));
  if (found.size() > rows_max) found.resize(rows_max);

  std::vector<EpochId> epochs;
  for (const FoundOutage& outage : found) epochs.push_back(outage.epoch);
  std::sort(epochs.begin(), epochs.end());
  epochs.erase(std::unique(epochs.begin(), epochs.end()), epochs.end());
  BAYWARD_ASSIGN_OR_RETURN(const auto names, sources_.epochs.Find(epochs));
  for (FoundOutage& outage : found) {
    if (auto name = names.find(outage.epoch); name != names.end()) outage.row.set_epoch(name->second);
    *response.add_outages() = std::move(outage.row);
  }
  return response;
}

}  // namespace bayward
