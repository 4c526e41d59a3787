#include "server/figures_service.h"

#include <algorithm>
#include <set>
#include <string>
#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"
#include "server/api/compare_machines.h"
#include "server/api/figures_question.h"
#include "server/api/trend_rows.h"
#include "server/api/tzdata.h"

namespace bayward {
namespace {

constexpr absl::Duration kHeldEvery = absl::Minutes(1);

// Whether every watched machine's agent has delivered what it recorded up to an instant.
bool AllDelivered(const LiveFleet& live, absl::Time until) {
  const std::shared_ptr<const LiveSnapshot> snapshot = live.Current();
  if (snapshot == nullptr) return false;
  return std::none_of(snapshot->machines.begin(), snapshot->machines.end(), [until](const LiveMachine& machine) {
    return machine.agent && (machine.from_report || machine.as_of < until);
  });
}

FiguresSources WithHeld(FiguresSources sources, HeldFigures& held) {
  sources.held = &held;
  return sources;
}

}  // namespace

FiguresService::FiguresService(Database& database, FleetSource fleet, const LiveFleet& live, const Clock& clock)
    : clock_(clock),
      histories_(database),
      brief_histories_(database),
      keeper_(brief_histories_, clock),
      epochs_(database),
      raw_events_(database),
      holds_(database),
      settlements_(database),
      held_store_(database),
      sources_{histories_, epochs_, fleet, clock, TzdataVersion(), &keeper_},
      held_(held_store_, fleet, clock, Makers(), [&live](absl::Time until) { return AllDelivered(live, until); }),
      figures_(WithHeld(sources_, held_)),
      records_({histories_, epochs_, raw_events_, holds_, settlements_, fleet, clock}) {}

FiguresService::~FiguresService() { Stop(); }

HeldFigureMakers FiguresService::Makers() const {
  return {[this](const v1::Window& window) -> absl::StatusOr<v1::JudgeTrendsResponse> {
            BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskFigures(sources_, {}, window));
            return JudgeTrendsOf(sources_, question, kDefaultTrendLevel);
          },
          [this](const v1::Window& window,
                 const std::set<std::string>& listed) -> absl::StatusOr<v1::CompareMachinesResponse> {
            BAYWARD_ASSIGN_OR_RETURN(const FiguresQuestion question, AskFigures(sources_, {}, window));
            return CompareMachinesOver(sources_, question, kComparisonConfidence, listed);
          }};
}

absl::Status FiguresService::AddMethods(MethodTable& methods) const {
  BAYWARD_RETURN_IF_ERROR(AddFiguresMethods(figures_, methods));
  return AddRecordMethods(records_, methods);
}

void FiguresService::Start() {
  thread_ = std::thread([this] { Run(); });
}

void FiguresService::Stop() {
  stop_.Stop();
  if (thread_.joinable()) thread_.join();
}

void FiguresService::Run() {
  while (!stop_.WaitFor(kHeldEvery)) {
    if (const absl::Status status = held_.Step(clock_.Now()); !status.ok()) {
      spdlog::warn("a figure to be held cannot be made, trying on: {}", Message(status));
    }
  }
}

}  // namespace bayward
