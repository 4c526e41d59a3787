#include <algorithm>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/live_rows.h"
#include "server/api/present_question.h"
#include "server/api/timeline_reader.h"
#include "server/figures/drift_washes.h"

namespace bayward {
namespace {

// Solving one takes longer than a machine's chart over a year.
class Designs {
 public:
  absl::StatusOr<DriftDesign> For(double washes_per_week) {
    const auto known = by_rate_.find(washes_per_week);
    if (known != by_rate_.end()) return known->second;
    BAYWARD_ASSIGN_OR_RETURN(const DriftDesign design, SolveDriftDesign(washes_per_week));
    return by_rate_.emplace(washes_per_week, design).first->second;
  }

 private:
  std::map<double, DriftDesign> by_rate_;
};

const char* StateWords(DriftState state) {
  switch (state) {
    case DriftState::kLearning: return "learning";
    case DriftState::kSteady: return "steady";
    case DriftState::kSlower: return "slower";
    case DriftState::kReset: break;
  }
  return "learning anew after upkeep";
}

v1::CycleDriftRow MakeRow(const std::string& machine, const CycleDrift& drift, absl::TimeZone zone) {
  v1::CycleDriftRow row;
  row.set_machine(machine);
  row.set_state(StateWords(drift.state));
  if (drift.slower) {
    row.set_slower_since_us(MicrosOrZero(drift.slower->began_at));
    row.set_confirmed_us(MicrosOrZero(drift.slower->confirmed_at));
    row.set_shift_seconds(absl::ToDoubleSeconds(drift.slower->shift));
    row.set_shift_percent(drift.slower->shift_percent);
  }
  row.set_baseline_washes(static_cast<std::uint32_t>(drift.baseline_washes));
  row.set_baseline_from_us(MicrosOrZero(drift.baseline_from));
  row.set_baseline_to_us(MicrosOrZero(drift.baseline_to));
  row.set_scored(static_cast<std::uint64_t>(drift.scored));
  row.set_skipped(static_cast<std::uint64_t>(drift.skipped));
  row.set_sentence(DescribeCycleDrift(drift, zone));
  return row;
}

int OrderOf(const v1::CycleDriftRow& row) { return row.state() == "slower" ? 0 : row.state() == "steady" ? 1 : 2; }

bool Before(const v1::CycleDriftRow& a, const v1::CycleDriftRow& b) {
  if (OrderOf(a) != OrderOf(b)) return OrderOf(a) < OrderOf(b);
  if (a.shift_percent() != b.shift_percent()) return a.shift_percent() > b.shift_percent();
  return a.machine() < b.machine();
}

void AddNotes(std::uint32_t without_washes, v1::ListCycleDriftResponse& response) {
  response.add_notes(fmt::format(
      "Slower: for at least {:.0f} days a machine's washes have taken longer than the usual time of their programme, "
      "by more than chance gives. Over all machines one false alarm in {:g} machine-weeks is expected at most.",
      absl::ToDoubleHours(kSignalSpanMin) / 24, kMachineWeeksPerFalseAlarm));
  response.add_notes(fmt::format(
      "The usual time is learned from at least {} washes over at least {:.0f} days and held until upkeep or a "
      "technician's visit ends. Not judged: washes not completed, of staff, tests, of unknown start, not watched "
      "throughout, or over a clock step.",
      kBaselineWashesMin, absl::ToDoubleHours(kBaselineSpanMin) / 24));
  response.add_notes(
      "How large the vehicles are is not reported: if other vehicles come from some day on, that looks like a slower "
      "machine.");
  if (without_washes > 0) {
    response.add_notes(
        fmt::format("{} left out: no wash is recorded of {}.",
                    without_washes == 1 ? "1 machine is" : fmt::format("{} machines are", without_washes),
                    without_washes == 1 ? "it" : "them"));
  }
}

}  // namespace

absl::StatusOr<v1::ListCycleDriftResponse> FiguresHandlers::ListCycleDrift(
    const Caller&, const v1::ListCycleDriftRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskAboutNow(sources_, request.scope()));
  v1::ListCycleDriftResponse response;
  std::vector<v1::CycleDriftRow> rows;
  Designs designs;
  std::uint32_t without_washes = 0;
  absl::Status failed;
  const auto judge = [&](const Machine& machine, const MachineTimeline& timeline) -> absl::Status {
    const DriftHistory history = ReadDriftWashes(timeline);
    if (history.washes.empty()) {
      ++without_washes;
      return absl::OkStatus();
    }
    BAYWARD_ASSIGN_OR_RETURN(const DriftDesign design, designs.For(DesignRate(history.usable_per_week)));
    BAYWARD_ASSIGN_OR_RETURN(const CycleDrift drift, ComputeCycleDrift(history, design));
    const Site& site = *question.fleet->FindSite(machine.site);
    rows.push_back(MakeRow(machine.full_name, drift, ZoneAt(site.calendar, question.now).zone));
    return absl::OkStatus();
  };
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(question.selection.machines,
                                      [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
                                        if (failed.ok()) failed = judge(machine, *timeline);
                                      }));
  BAYWARD_RETURN_IF_ERROR(failed);
  std::sort(rows.begin(), rows.end(), Before);
  response.set_machines(static_cast<std::uint32_t>(rows.size()));
  for (v1::CycleDriftRow& row : rows) {
    if (OrderOf(row) == 0) response.set_slower(response.slower() + 1);
    if (OrderOf(row) == 2) response.set_learning(response.learning() + 1);
    if (request.all() || OrderOf(row) == 0) *response.add_rows() = std::move(row);
  }
  response.set_as_of_us(absl::ToUnixMicros(question.now));
  AddNotes(without_washes, response);
  GroupAccount asked{.group = "total", .machines = static_cast<std::uint32_t>(question.selection.machines.size())};
  for (std::string& note : CommonNotes(asked, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
