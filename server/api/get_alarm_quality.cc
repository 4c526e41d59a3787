#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "fmt/format.h"
#include "proto/common/fault_traits.h"
#include "proto/common/status.h"
#include "server/api/figures_handlers.h"
#include "server/api/kept_timelines.h"
#include "server/api/timeline_reader.h"
#include "server/figures/alarm_quality.h"
#include "server/timeline/material.h"

namespace bayward {
namespace {

constexpr double kDefaultFleetingSeconds = 60;
constexpr double kFleetingSecondsMax = 86'400;

std::uint32_t Count(std::int64_t count) {
  return static_cast<std::uint32_t>(std::min<std::int64_t>(count, std::numeric_limits<std::uint32_t>::max()));
}

AlarmPriority PriorityOf(const Spell& spell) {
  const FaultClassInfo* info = FindFaultClass(spell.fault_class);
  if (info != nullptr && info->traits.safety()) return AlarmPriority::kHigh;
  return spell.effect == Effect::kBlocking ? AlarmPriority::kMedium : AlarmPriority::kLow;
}

// What one region's desk was told.
struct Desk {
  Interval window = {absl::InfiniteFuture(), absl::InfinitePast()};  // of its sites, from the first to the last
  std::vector<AnnouncedAlarm> announced;
  std::vector<RawRaise> raises;
  std::vector<OutOfService> out_of_service;

  void Widen(const Interval& site) {
    if (site.empty()) return;
    window = {std::min(window.start, site.start), std::max(window.end, site.end)};
  }
};

void AddMaterial(const MachineTimeline& timeline, Desk& desk, std::vector<RawRaise>& all_raises) {
  const MachineId machine = timeline.history.machine;
  const Material material = UsableMaterial(timeline.history, timeline.count_rehearsal);
  for (const SpellPiece& piece : material.spells) {
    const Spell& spell = *piece.spell;
    const AlarmKey alarm{machine, spell.fault_class};
    const bool announced = spell.effect != Effect::kAdvisory;
    if (announced) desk.announced.push_back({alarm, piece.interval.start, piece.interval.end, PriorityOf(spell)});
    if (piece.began_unobserved()) continue;  // nobody saw it rise
    const RawRaise raise{alarm, piece.interval.start, spell.further_raises};
    all_raises.push_back(raise);
    if (announced) desk.raises.push_back(raise);
  }
  for (const ModePiece& piece : material.modes) desk.out_of_service.push_back({machine, piece.interval});
}

void SetRate(const AlarmRate& rate, v1::AlarmRateRow& row) {
  row.set_rate(rate.rate);
  row.set_target(rate.benchmark.target);
  row.set_manageable(rate.benchmark.manageable);
  row.set_verdict(RateVerdictWords(rate.verdict));
}

v1::DeskRow RowOf(const std::string& name, const AlarmQuality& quality, const Fleet& fleet) {
  v1::DeskRow row;
  row.set_desk(name);
  row.set_alarms(Count(quality.alarms));
  row.set_days(quality.days);
  SetRate(quality.per_day, *row.mutable_per_day());
  SetRate(quality.per_hour, *row.mutable_per_hour());
  SetRate(quality.per_ten_minutes, *row.mutable_per_ten_minutes());
  row.set_periods(Count(quality.periods));
  row.set_periods_above(Count(quality.periods_above));
  row.set_period_peak(Count(quality.period_peak));
  row.set_floods(Count(static_cast<std::int64_t>(quality.floods.size())));
  row.set_flood_share(quality.flood_share);
  row.set_flood_alarms(Count(quality.flood_alarms));
  row.set_chattering(Count(static_cast<std::int64_t>(quality.chattering.size())));
  row.set_fleeting(Count(quality.fleeting));
  row.set_stale_peak(Count(quality.stale_peak));
  row.set_top_share(quality.top_share);
  for (const AlarmCount& count : quality.top) {
    v1::AlarmCountRow& top = *row.add_top();
    top.set_machine(fleet.FindMachine(count.alarm.machine)->full_name);
    top.set_name(FaultClassName(count.alarm.fault_class));
    top.set_fault_class(static_cast<v1::FaultClass>(count.alarm.fault_class));
    top.set_count(Count(count.count));
  }
  for (const double share : quality.priority_share) row.add_priority_shares(share);
  for (std::string& caution : AlarmQualityCautions(quality)) row.add_cautions(std::move(caution));
  return row;
}

absl::StatusOr<absl::Duration> FleetingBelow(double seconds) {
  if (seconds == 0) return absl::Seconds(kDefaultFleetingSeconds);
  if (!(seconds > 0 && seconds <= kFleetingSecondsMax)) {
    return InvalidArgument("fleeting_below_seconds: expected more than 0 and at most {}, or 0 for {}, found {}",
                           kFleetingSecondsMax, kDefaultFleetingSeconds, seconds);
  }
  return absl::Seconds(seconds);
}

void AddNotes(double fleeting_seconds, const GroupAccount& total, v1::GetAlarmQualityResponse& response) {
  response.add_notes(
      "An alarm is announced when a blocking or degrading fault of a machine rises, to the desk of the machine's "
      "region. Priority: safety classes high, other blocking ones medium, degrading ones low.");
  response.add_notes(
      "The benchmarks (ANSI/ISA-18.2, IEC 62682) are for one desk and what was announced to it; no benchmark applies "
      "to one machine's raise rate, which counts advisory faults too.");
  response.add_notes(
      "Chattering: three raises of one alarm within 60 s. Raises that the agent folded into one alarm count in the "
      "raise rates and not here: when they came is not known.");
  response.add_notes(fmt::format(
      "Fleeting: cleared in less than {:g} s, whether or not anybody acted. Stale: announced more than 24 h ago and "
      "not cleared, the machine neither closed nor occupied.", fleeting_seconds));
  if (total.account.unknown() > absl::ZeroDuration()) {
    response.add_notes(fmt::format(
        "{} of required time are unknown: what rose then was announced when it was next seen, or never.",
        HoursText(total.account.unknown())));
  }
}

}  // namespace

absl::StatusOr<v1::GetAlarmQualityResponse> FiguresHandlers::GetAlarmQuality(
    const Caller&, const v1::GetAlarmQualityRequest& request) const {
  BAYWARD_ASSIGN_OR_RETURN(const absl::Duration fleeting_below, FleetingBelow(request.fleeting_below_seconds()));
  BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question,
                           AskFigures(sources_, request.scope(), request.window()));
  std::map<std::string, Desk> desks;
  std::vector<RawRaise> raises;
  GroupAccount total{.group = "total"};
  TimelineReader reader(sources_.histories, *question.fleet, question.windows.hull.start, question.now);
  BAYWARD_RETURN_IF_ERROR(reader.Read(
      question.selection.machines, [&](const Machine& machine, std::unique_ptr<MachineTimeline> timeline) {
        Desk& desk = desks[question.fleet->FindSite(machine.site)->region];
        desk.Widen(question.WindowOf(machine));
        total.Add(ComputeAccount(*timeline, question.WindowOf(machine)));
        AddMaterial(*timeline, desk, raises);
      }));
  v1::GetAlarmQualityResponse response;
  for (const auto& [region, desk] : desks) {
    if (desk.window.empty()) continue;
    BAYWARD_ASSIGN_OR_RETURN(
        const AlarmQuality quality,
        ComputeAlarmQuality({desk.announced, desk.raises, desk.out_of_service}, desk.window, fleeting_below));
    *response.add_desks() = RowOf(region, quality, *question.fleet);
  }
  if (!desks.empty()) {
    BAYWARD_ASSIGN_OR_RETURN(const auto rates, ComputeRaiseRates(raises, question.windows.hull));
    for (const RaiseRate& rate : rates) {
      v1::RaiseRateRow& row = *response.add_raise_rates();
      row.set_machine(question.fleet->FindMachine(rate.machine)->full_name);
      row.set_raises(Count(rate.raises));
      row.set_per_day(rate.per_day);
    }
  }
  SetWindow(question, response);
  AddNotes(absl::ToDoubleSeconds(fleeting_below), total, response);
  for (std::string& note : CommonNotes(total, FactsOf(question, sources_))) response.add_notes(std::move(note));
  return response;
}

}  // namespace bayward
