#include "tests/property/harness.h"

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <iostream>
#include <sstream>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/time/time.h"
#include "gtest/gtest.h"
#include "server/timeline/hand_over.h"

namespace bayward::naive {
namespace {

constexpr std::uint64_t kSeed = 20260329;

// What is left for one property when all of this program's share the time.
absl::Duration CampaignTime() {
  int seconds = 0;
  const char* text = std::getenv("BAYWARD_CAMPAIGN_SECONDS");
  if (text && !absl::SimpleAtoi(text, &seconds))
    ADD_FAILURE() << "BAYWARD_CAMPAIGN_SECONDS: expected whole seconds, found \"" << text << '"';
  return absl::Seconds(seconds) / testing::UnitTest::GetInstance()->test_to_run_count();
}

std::string Describe(const FoldOutput& out) {
  std::string text;
  const auto at = [](absl::Time t) { return absl::FormatTime(t, absl::UTCTimeZone()); };
  const auto from = [](const Provenance& p) {
    return absl::StrCat(" from #", p.first.epoch.value, ".", p.first.sequence, " to #", p.last.epoch.value,
                        ".", p.last.sequence);
  };
  for (const Spell& s : out.spells) {
    absl::StrAppend(&text, "spell ", s.fault_class, " ", at(s.raised_at), " ", at(s.cleared_at), " end ",
                    static_cast<int>(s.end), " unobserved ", s.began_unobserved, " effect ",
                    static_cast<int>(s.effect), " origin ", static_cast<int>(s.origin), " raises ",
                    s.further_raises, from(s.provenance), "\n");
  }
  for (const ModeSpan& m : out.modes)
    absl::StrAppend(&text, "mode ", static_cast<int>(m.mode), " ", at(m.from), " ", at(m.to),
                    from(m.provenance), "\n");
  for (const ObservedSpan& o : out.observed)
    absl::StrAppend(&text, "observed ", at(o.from), " ", at(o.to), from(o.provenance), "\n");
  for (const Interval& v : out.voided) absl::StrAppend(&text, "voided ", at(v.start), " ", at(v.end), "\n");
  for (const Cycle& c : out.cycles) {
    absl::StrAppend(&text, "cycle ", c.cycle, " ", at(c.started_at), " ", at(c.finished_at), " ",
                    static_cast<int>(c.outcome), from(c.provenance), "\n");
  }
  return text;
}

bool RunOnce(const std::function<void()>& property, const rc::detail::TestParams& params) {
  const auto* info = testing::UnitTest::GetInstance()->current_test_info();
  rc::detail::TestMetadata metadata;
  metadata.id = absl::StrCat(info->test_suite_name(), "/", info->name());
  metadata.description = info->name();
  const rc::detail::TestResult result = rc::detail::checkTestable(property, metadata, params);
  if (result.is<rc::detail::SuccessResult>()) return true;
  std::ostringstream text;
  rc::detail::printResultMessage(result, text);
  ADD_FAILURE() << "seed " << params.seed << "\n" << text.str();
  return false;
}

}  // namespace

void CheckProperty(int cases, const std::function<void()>& property) {
  static const bool seeded_by_caller = std::getenv("RC_PARAMS") != nullptr;
  setenv("RC_PARAMS", absl::StrCat("seed=", kSeed).c_str(), 0);  // read once, when rapidcheck first needs it
  rc::detail::TestParams params = rc::detail::configuration().testParams;
  if (!seeded_by_caller) params.maxSuccess = cases;
  std::cout << "seed " << params.seed << ", " << params.maxSuccess << " cases" << std::endl;
  if (!RunOnce(property, params)) return;
  const auto end = std::chrono::steady_clock::now() + absl::ToChronoNanoseconds(CampaignTime());
  long rounds = 0;
  while (std::chrono::steady_clock::now() < end) {
    ++params.seed;
    ++rounds;
    if (!RunOnce(property, params)) break;
  }
  if (rounds > 0) std::cout << rounds << " further seeds, the last " << params.seed << std::endl;
}

void FoldNext(const Script& script, std::size_t next, Folded& folded) {
  for (const HandOver& hand_over : script.hand_overs) {
    if (hand_over.event != next) continue;
    EndAssignment(hand_over.at, folded.state, folded.out.back());
    folded.first_snapshots.push_back(folded.state.first_snapshot);
    folded.out.emplace_back();
    folded.state = MachineState();
  }
  if (next == script.events.size()) return;
  const ScriptEvent& entry = script.events[next];
  Fold(entry.event, entry.observed_until, folded.state, folded.out.back());
}

Folded FoldScript(const Script& script) {
  Folded folded;
  for (std::size_t i = 0; i <= script.events.size(); ++i) FoldNext(script, i, folded);
  return folded;
}

Folded FoldInBatches(const Script& script, const std::vector<int>& sizes) {
  Folded folded;
  std::size_t next = 0;
  for (std::size_t batch = 0; next <= script.events.size(); ++batch) {
    const std::size_t left = script.events.size() + 1 - next;
    const std::size_t size =
        batch < sizes.size() ? std::min(left, static_cast<std::size_t>(sizes[batch])) : left;
    Folded tried;
    for (int attempt = 0; attempt < 2; ++attempt) {
      tried = Folded();
      tried.state = folded.state;
      for (std::size_t i = next; i < next + size; ++i) FoldNext(script, i, tried);
    }
    folded.state = tried.state;
    const auto append = [](auto& to, auto from, auto to_end) { to.insert(to.end(), from, to_end); };
    FoldOutput& now = folded.out.back();
    const FoldOutput& more = tried.out.front();
    append(now.spells, more.spells.begin(), more.spells.end());
    append(now.modes, more.modes.begin(), more.modes.end());
    append(now.observed, more.observed.begin(), more.observed.end());
    append(now.voided, more.voided.begin(), more.voided.end());
    append(now.cycles, more.cycles.begin(), more.cycles.end());
    append(folded.out, tried.out.begin() + 1, tried.out.end());
    append(folded.first_snapshots, tried.first_snapshots.begin(), tried.first_snapshots.end());
    next += size;
  }
  return folded;
}

MachineHistory HistoryOf(const Folded& folded, const Script& script) {
  std::vector<AssignmentHistory> assignments;
  for (std::size_t i = 0; i < folded.out.size(); ++i) {
    // A script says when an agent was last alive, not until when it was assigned.
    AssignmentHistory& assignment = assignments.emplace_back();
    assignment.assigned = {absl::InfinitePast(), absl::InfiniteFuture()};
    const FoldOutput& out = folded.out[i];
    MachineHistory& recorded = assignment.recorded;
    recorded.spells = out.spells;
    recorded.modes = out.modes;
    recorded.observed = out.observed;
    recorded.voided = out.voided;
    recorded.cycles = out.cycles;
    if (i < folded.first_snapshots.size()) {
      assignment.first_snapshot = folded.first_snapshots[i];
    } else {
      assignment.first_snapshot = folded.state.first_snapshot;
      AppendOpen(folded.state, recorded);
    }
  }
  MachineHistory history = PutEndToEnd(std::move(assignments));
  history.machine = MachineId{1};
  history.observed_until = script.observed_until;
  history.delivery_expected = script.delivery_expected;
  history.settlements = script.settlements;
  return history;
}

MachineHistory HistoryOf(const Script& script) { return HistoryOf(FoldScript(script), script); }

std::string Describe(const Folded& folded) {
  std::string text;
  for (const FoldOutput& out : folded.out) absl::StrAppend(&text, "assignment\n", Describe(out));
  return text;
}

Interval ExtentOf(const Grid& grid) { return {grid.start, grid.TimeOf(grid.ticks)}; }

}  // namespace bayward::naive
