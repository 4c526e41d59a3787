#include "server/api/held_figures.h"

#include <algorithm>
#include <utility>

#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/api/scope.h"

namespace bayward {
namespace {

constexpr std::string_view kTrendsKind = "trends";
constexpr std::string_view kWorseKind = "worse-machines";

std::string MinuteText(absl::Time at) { return absl::FormatTime("%E4Y-%m-%d %H:%M UTC", at, absl::UTCTimeZone()); }

bool AnythingObserved(const v1::JudgeTrendsResponse& response) {
  return std::any_of(response.machines().begin(), response.machines().end(),
                     [](const v1::TrendRow& row) { return row.up_hours() > 0; });
}

bool AnythingObserved(const v1::CompareMachinesResponse& response) {
  for (const v1::ComparedKind& kind : response.kinds()) {
    for (const v1::ComparedMachineRow& row : kind.machines()) {
      if (row.up_hours() > 0 || row.down_share() > 0) return true;
    }
  }
  return false;
}

template <class Response>
absl::StatusOr<Response> Parse(const HeldFigure& figure) {
  Response response;
  if (!response.ParseFromString(figure.response)) {
    return Internal("the held figure {} of {} cannot be read: its {} bytes are no answer of this service",
                    figure.kind, figure.period, figure.response.size());
  }
  return response;
}

bool Everything(const v1::Scope& scope) {
  return scope.regions().empty() && scope.sites().empty() && scope.machines().empty() && scope.kinds().empty();
}

std::set<std::string> NamesOf(const Selection& selection) {
  std::set<std::string> names;
  for (const Machine* machine : selection.machines) names.insert(machine->full_name);
  return names;
}

// Keeps the rows of machines in `names`; returns how many there were.
template <class Rows>
int Narrow(const std::set<std::string>& names, Rows& rows) {
  const int before = rows.size();
  rows.erase(
      std::remove_if(rows.begin(), rows.end(), [&names](const auto& row) { return !names.contains(row.machine()); }),
      rows.end());
  return before;
}

void Narrow(const std::set<std::string>& names, v1::JudgeTrendsResponse& response) {
  const int all = Narrow(names, *response.mutable_machines());
  response.add_notes(
      fmt::format("{} of the {} machines that were judged together are shown: the false-discovery rate and "
                  "the fleet's verdict are those of all.",
                  response.machines_size(), all));
}

void Narrow(const std::set<std::string>& names, v1::CompareMachinesResponse& response) {
  int all = 0;
  int shown = 0;
  for (v1::ComparedKind& kind : *response.mutable_kinds()) {
    all += Narrow(names, *kind.mutable_machines());
    shown += kind.machines_size();
    double listed = 0;
    double no_worse = 0;
    for (const v1::ComparedMachineRow& row : kind.machines()) {
      if (!row.listed()) continue;
      listed += 1;
      no_worse += 1 - row.probability_worse();
    }
    kind.set_expected_false_share(listed > 0 ? no_worse / listed : 0);
  }
  auto& kinds = *response.mutable_kinds();
  kinds.erase(std::remove_if(kinds.begin(), kinds.end(),
                             [](const v1::ComparedKind& kind) { return kind.machines().empty(); }),
              kinds.end());
  response.add_notes(
      fmt::format("{} of the {} machines that were compared are shown: rates of a kind, ranks and the bound "
                  "on wrongly listed machines are those of all.",
                  shown, all));
}

std::set<std::string> ListedIn(const v1::CompareMachinesResponse& response) {
  std::set<std::string> listed;
  for (const v1::ComparedKind& kind : response.kinds()) {
    for (const v1::ComparedMachineRow& row : kind.machines()) {
      if (row.listed()) listed.insert(row.machine());
    }
  }
  return listed;
}

absl::Status NothingObserved(const HeldPeriod& period) {
  return FailedPrecondition(
      "nothing was observed from {} to {}, so that there is no figure of {} to hold; ask for a later period",
      period.window.from(), period.window.to(), period.name);
}

}  // namespace

absl::StatusOr<std::shared_ptr<const Fleet>> HeldFigures::CurrentFleet() const {
  std::shared_ptr<const Fleet> fleet = fleet_();
  if (fleet == nullptr) return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  return fleet;
}

absl::StatusOr<std::optional<std::string>> HeldFigures::MakeTrends(const HeldPeriod& period,
                                                                   absl::Time made_at) const {
  BAYWARD_ASSIGN_OR_RETURN(v1::JudgeTrendsResponse response, makers_.trends(period.window));
  if (!AnythingObserved(response)) return std::optional<std::string>();
  response.set_month(period.name);
  response.set_made_at_us(absl::ToUnixMicros(made_at));
  response.add_notes(
      fmt::format("Held for {}: made on {} over the whole fleet, on the {} months up to the end of that month at "
                  "each site. What was delivered or decided later does not change it.",
                  period.name, MinuteText(made_at), kTrendMonths));
  return std::optional(response.SerializeAsString());
}

absl::StatusOr<std::optional<std::string>> HeldFigures::MakeComparison(const HeldPeriod& period,
                                                                       absl::Time made_at) const {
  BAYWARD_ASSIGN_OR_RETURN(const std::optional<HeldFigure> before, store_.FindLastBefore(kWorseKind, period.name));
  std::set<std::string> listed;
  if (before) {
    BAYWARD_ASSIGN_OR_RETURN(const auto earlier, Parse<v1::CompareMachinesResponse>(*before));
    listed = ListedIn(earlier);
  }
  BAYWARD_ASSIGN_OR_RETURN(v1::CompareMachinesResponse response, makers_.comparison(period.window, listed));
  if (!AnythingObserved(response)) return std::optional<std::string>();
  response.set_made_at_us(absl::ToUnixMicros(made_at));
  response.add_notes(fmt::format(
      "Held for week {}: made on {} over the whole fleet, on the {} weeks up to its end, Monday 00:00 UTC. What was "
      "delivered or decided later does not change it.",
      period.name, MinuteText(made_at), kWorseListWeeks));
  response.add_notes(
      before
          ? fmt::format("A machine that was on the list of {} stays on this one unless it is more likely than not no "
                        "worse; that may lift the share of wrongly listed ones above 10 %.",
                        before->period)
          : "It is the first such list: none went before that a machine could have stayed on from.");
  return std::optional(response.SerializeAsString());
}

absl::StatusOr<std::optional<HeldFigure>> HeldFigures::FindOrMake(std::string_view kind, const HeldPeriod& period,
                                                                  const Make& make) {
  BAYWARD_ASSIGN_OR_RETURN(std::optional<HeldFigure> held, store_.Find(kind, period.name));
  if (held) return held;
  absl::MutexLock lock(&making_);
  BAYWARD_ASSIGN_OR_RETURN(held, store_.Find(kind, period.name));
  if (held) return held;
  HeldFigure figure{std::string(kind), period.name, clock_.Now(), 0, {}};
  BAYWARD_ASSIGN_OR_RETURN(const auto fleet, CurrentFleet());
  figure.fleet_version = fleet->version;
  BAYWARD_ASSIGN_OR_RETURN(std::optional<std::string> response, make(period, figure.made_at));
  if (!response) return std::optional<HeldFigure>();
  figure.response = *std::move(response);
  BAYWARD_ASSIGN_OR_RETURN(held, store_.Hold(figure));
  return held;
}

absl::Status HeldFigures::StepOne(std::string_view kind, const HeldPeriod& period, const Make& make, absl::Time now,
                                  std::string& known) {
  if (known == period.name) return absl::OkStatus();
  const bool patient = now < std::max(period.ends, patience_from_) + kHeldFigurePatience;
  if (patient && !delivered_(period.ends)) return absl::OkStatus();
  BAYWARD_ASSIGN_OR_RETURN(const std::optional<HeldFigure> held, FindOrMake(kind, period, make));
  if (held) known = period.name;
  return absl::OkStatus();
}

absl::Status HeldFigures::Step(absl::Time now) {
  BAYWARD_ASSIGN_OR_RETURN(const auto fleet, CurrentFleet());
  BAYWARD_RETURN_IF_ERROR(
      StepOne(kTrendsKind, TrendPeriod(*fleet, LastWholeMonth(*fleet, now)), trends(), now, trends_known_));
  return StepOne(kWorseKind, LastWholeWeek(now), comparison(), now, comparison_known_);
}

absl::StatusOr<v1::JudgeTrendsResponse> HeldFigures::Trends(std::string_view month, const v1::Scope& scope) {
  BAYWARD_ASSIGN_OR_RETURN(const auto fleet, CurrentFleet());
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*fleet, scope));
  BAYWARD_ASSIGN_OR_RETURN(const absl::CivilMonth wanted, WantedMonth(*fleet, month, clock_.Now()));
  const HeldPeriod period = TrendPeriod(*fleet, wanted);
  BAYWARD_ASSIGN_OR_RETURN(const std::optional<HeldFigure> held, FindOrMake(kTrendsKind, period, trends()));
  if (!held) return NothingObserved(period);
  BAYWARD_ASSIGN_OR_RETURN(v1::JudgeTrendsResponse response, Parse<v1::JudgeTrendsResponse>(*held));
  if (!Everything(scope)) Narrow(NamesOf(selection), response);
  return response;
}

absl::StatusOr<v1::CompareMachinesResponse> HeldFigures::WorseMachines(const v1::Scope& scope) {
  BAYWARD_ASSIGN_OR_RETURN(const auto fleet, CurrentFleet());
  BAYWARD_ASSIGN_OR_RETURN(const Selection selection, ResolveScope(*fleet, scope));
  const HeldPeriod period = LastWholeWeek(clock_.Now());
  BAYWARD_ASSIGN_OR_RETURN(const std::optional<HeldFigure> held, FindOrMake(kWorseKind, period, comparison()));
  if (!held) return NothingObserved(period);
  BAYWARD_ASSIGN_OR_RETURN(v1::CompareMachinesResponse response, Parse<v1::CompareMachinesResponse>(*held));
  if (!Everything(scope)) Narrow(NamesOf(selection), response);
  return response;
}

absl::Status NothingHeld() {
  return FailedPrecondition("this server holds no verdicts and no lists; ask for a window instead");
}

}  // namespace bayward
