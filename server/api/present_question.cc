#include "server/api/present_question.h"

#include <algorithm>
#include <utility>

#include "proto/common/status.h"
#include "server/api/live_words.h"
#include "server/figures/present_condition.h"

namespace bayward {
namespace {

const char* WordOf(Condition condition) {
  switch (condition) {
    case Condition::kUp: return "up";
    case Condition::kDegraded: return "degraded";
    case Condition::kDown: return "down";
    case Condition::kWithheld: return "withheld";
    case Condition::kUnknown: return "unknown";
    case Condition::kNotRequired: break;
  }
  return "not required";
}

AgentId AgentOf(const Fleet& fleet, MachineId machine, absl::Time now) {
  const auto rows = fleet.assignments_of.find(machine);
  if (rows == fleet.assignments_of.end()) return {};
  for (const std::size_t row : rows->second) {
    const Assignment& assignment = fleet.assignments[row];
    if (assignment.from <= now && now < assignment.to) return assignment.agent;
  }
  return {};
}

MachineState OpenState(const MachineTimeline& timeline) {
  const MachineHistory& history = timeline.history;
  MachineState state;
  for (const Spell& spell : history.spells) {
    const bool counts = timeline.count_rehearsal || !spell.rehearsal;
    if (counts && spell.cleared_at == absl::InfiniteFuture()) state.spells.push_back(spell);
  }
  for (const ModeSpan& mode : history.modes) {
    if ((timeline.count_rehearsal || !mode.rehearsal) && mode.to == absl::InfiniteFuture()) state.mode = mode;
  }
  for (const ObservedSpan& span : history.observed) {
    state.observed = state.observed || span.to == absl::InfiniteFuture();
    state.span.to = std::max(state.span.to, span.to);
  }
  return state;
}

}  // namespace

absl::StatusOr<FiguresQuestion> AskAboutNow(const FiguresSources& sources, const v1::Scope& scope,
                                            absl::Duration before) {
  FiguresQuestion question;
  question.fleet = sources.fleet();
  if (question.fleet == nullptr) {
    return Unavailable("the declared fleet has not been read yet; ask again in a moment");
  }
  question.now = sources.clock.Now();
  BAYWARD_ASSIGN_OR_RETURN(question.selection, ResolveScope(*question.fleet, scope));
  question.windows.hull = {question.now - before, question.now};
  for (const Site* site : question.selection.sites) {
    question.windows.of[site->id] = question.windows.whole[site->id] = question.windows.hull;
  }
  return question;
}

std::string PresentWords(const FiguresQuestion& question, const Machine& machine, const MachineTimeline& timeline) {
  const absl::Time now = question.now;
  LiveMachine live;
  live.id = machine.id;
  live.agent = AgentOf(*question.fleet, machine.id, now);
  live.state = OpenState(timeline);
  live.now.condition = PresentCondition(timeline, now);
  live.observed = live.now.condition != Condition::kUnknown;
  live.as_of = timeline.history.observed_until;
  const bool heard = now - live.as_of <= kSeenLateMax;
  const std::string why = WhyInWords({live, machine, *question.fleet->FindSite(machine.site), heard, now});
  const std::string word = WordOf(live.now.condition);
  return why.empty() ? word : word + ": " + why;
}

}  // namespace bayward
