#include <algorithm>
#include <map>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "fmt/format.h"
#include "proto/common/capabilities.h"
#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/grouping.h"
#include "server/api/kept_timelines.h"
#include "server/api/timeline_reader.h"
#include "server/figures/service_met.h"

namespace bayward {
namespace {

std::uint32_t Count(int count) { return static_cast<std::uint32_t>(count); }

struct MetGroup {
  ServiceMet met;
  std::uint32_t machines = 0;

  void Add(const ServiceMet& machine) {
    met += machine;
    ++machines;
  }
};

struct MetSite {
  Interval window;
  CapabilityTables tables;
  std::vector<std::vector<ConditionSpan>> bays;
  SoldWashes sold;
};

CapabilityTables TablesOf(const Site& site) {
  CapabilityTables tables;
  for (const FaultClassInfo& info : FaultClasses()) {
    auto& removes = tables.removed_by[info.number];
    for (const int capability : info.traits.removes()) removes.push_back(capability);
  }
  for (const ProgrammeNeeds& needs : site.programmes) tables.needed_by[needs.programme] = needs.capabilities;
  return tables;
}

v1::ServiceMetRow RowOf(const std::string& name, const MetGroup& group) {
  v1::ServiceMetRow row;
  row.set_group(name);
  row.set_machines(group.machines);
  row.set_up_hours(absl::ToDoubleHours(group.met.up));
  row.set_degraded_hours(absl::ToDoubleHours(group.met.degraded));
  row.set_down_hours(absl::ToDoubleHours(group.met.down));
  if (const auto full = group.met.FullService()) row.set_full_service(*full);
  for (const auto& [number, time] : group.met.capabilities) {
    v1::CapabilityRow& capability = *row.add_capabilities();
    capability.set_capability(static_cast<v1::Capability>(number));
    capability.set_name(CapabilityName(number));
    capability.set_missing_hours(absl::ToDoubleHours(time.missing));
    if (time.observed > absl::ZeroDuration()) {
      capability.set_available(1 - absl::FDivDuration(time.missing, time.observed));
    }
  }
  return row;
}

v1::SiteBaysRow RowOf(const std::string& site, const SiteBays& bays) {
  v1::SiteBaysRow row;
  row.set_site(site);
  row.set_bays(Count(bays.bays));
  row.set_observed_hours(absl::ToDoubleHours(bays.observed));
  if (const auto any = bays.AnyBay()) row.set_any_bay(*any);
  if (const auto all = bays.AllBays()) row.set_all_bays(*all);
  return row;
}

// Reads machine by machine and keeps no more of each than the answer needs.
class ServiceMetReport {
 public:
  explicit ServiceMetReport(v1::Grouping grouping, const FiguresQuestion& question)
      : grouping_(grouping), question_(question) {}

  void Add(const Machine& machine, MachineTimeline& timeline) {
    const Site& site = *question_.fleet->FindSite(machine.site);
    const Interval& window = question_.WindowOf(machine);
    const auto [found, added] = sites_.try_emplace(site.key);
    MetSite& at = found->second;
    if (added) {
      at.window = window;
      at.tables = TablesOf(site);
    }
    account_.Add(ComputeAccount(timeline, window));
    const ServiceMet met = ComputeServiceMet(timeline, window, at.tables);
    groups_[GroupOf(grouping_, site, machine)].Add(met);
    total_.Add(met);
    at.sold += CountSoldWashes(timeline, window, at.tables);
    if (!Washes(timeline)) return;
    ++bays_;
    at.bays.push_back(std::move(timeline.conditions));
  }

  v1::GetServiceMetResponse Finish(const FiguresSources& sources) {
    v1::GetServiceMetResponse response;
    for (const auto& [name, group] : groups_) *response.add_rows() = RowOf(name, group);
    *response.mutable_total() = RowOf("total", total_);
    AddSites(response);
    SetWindow(question_, response);
    AddNotes(response);
    for (std::string& note : CommonNotes(account_, FactsOf(question_, sources))) response.add_notes(std::move(note));
    return response;
  }

 private:
  void AddSites(v1::GetServiceMetResponse& response) {
    std::vector<v1::NotDeliverableRow> missing;
    for (const auto& [key, site] : sites_) {
      std::vector<const std::vector<ConditionSpan>*> bays;
      for (const auto& conditions : site.bays) bays.push_back(&conditions);
      const SiteBays together = ComputeSiteBays(bays, site.window);
      left_out_ += together.unknown;
      if (!bays.empty()) *response.add_sites() = RowOf(key, together);
      sold_ += site.sold;
      for (const auto& [need, washes] : site.sold.missing) {
        v1::NotDeliverableRow& row = missing.emplace_back();
        row.set_site(key);
        row.set_programme(need.programme);
        row.set_capability(CapabilityName(need.capability));
        row.set_washes(Count(washes));
      }
    }
    std::stable_sort(missing.begin(), missing.end(),
                     [](const auto& a, const auto& b) { return a.washes() > b.washes(); });
    for (v1::NotDeliverableRow& row : missing) *response.add_sold_not_deliverable() = std::move(row);
  }

  void AddNotes(v1::GetServiceMetResponse& response) const {
    response.add_notes(
        "Full service: up without anything missing, of the required time in which the machine was up, degraded or "
        "down.");
    response.add_notes(
        "A capability is missing while the machine is down, or degraded by a fault whose class removes it. Counted "
        "are machines with a wash on record that sold a programme that needs it, or lost it.");
    response.add_notes(
        "A bay is a machine with a wash on record. Any and all bays: of the time in which at least one bay of the "
        "site is required and the condition of every required one is known, the share in which one or each of them "
        "was up or degraded; closed counts as not able to wash.");
    if (const std::uint32_t others = account_.machines - bays_; others > 0) {
      response.add_notes(fmt::format(
          "{} of {} machines have no wash on record and count as no bay, though in full service.", others,
          account_.machines));
    }
    if (left_out_ > absl::ZeroDuration()) {
      response.add_notes(fmt::format(
          "{} of the sites' required time are left out of any and all bays: a required bay's condition is not known.",
          HoursText(left_out_)));
    }
    response.add_notes(fmt::format(
        "{} of {} washes sold to customers and members began while something that their programme needs was missing; "
        "one that missed two things is in two rows. Needs are those declared now; a programme that is not declared "
        "is taken to need a wash only.",
        sold_.not_deliverable, sold_.sold));
    if (sold_.start_not_known > 0) {
      response.add_notes(fmt::format("{} further sold washes are not judged: their start was not seen.",
                                     sold_.start_not_known));
    }
  }

  const v1::Grouping grouping_;
  const FiguresQuestion& question_;
  std::map<std::string, MetGroup> groups_;
  std::map<std::string, MetSite> sites_;
  MetGroup total_;
  GroupAccount account_{.group = "total"};
  std::uint32_t bays_ = 0;
  absl::Duration left_out_;
  SoldWashes sold_;
};

}  // namespace

absl::StatusOr<v1::GetServiceMetResponse> FiguresHandlers::GetServiceMet(
    const Caller&, const v1::GetServiceMetRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const v1::Grouping grouping,
                           GroupingOr(request.grouping(), v1::GROUPING_MACHINE));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  ServiceMetReport report(grouping, question);
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines,
      [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) { report.Add(machine, *timeline); }));
  return report.Finish(sources_);
}

}  // namespace bayward
